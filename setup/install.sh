#!/bin/sh
# Makes the virtual environment of the first argument and installs the package into it; a second one names extras, such as `[test]`.
# Bytecode is written on all cores, and only of what is ever loaded: tests of libraries, and what one of them brings along for notebooks, are
# two thirds of all source lines.
set -eu
venv="$1"
python="${PYTHON:-python3}"
"$python" setup/check_python.py
"$venv/bin/python" -m pip --version >/dev/null 2>&1 || "$python" -m venv --clear "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check --no-compile -c constraints.txt -e ".${2:-}"
never_loaded='/site-packages/(.*/)?(tests|plotly|pip|setuptools|pkg_resources|pygments|jedi|prompt_toolkit|docutils)/'
"$venv/bin/python" -m compileall -q -j 0 -x "$never_loaded" "$("$venv/bin/python" -c 'import sysconfig; print(sysconfig.get_path("purelib"))')" meshtools
