"""A worker's libraries without what nobody asks for: none of it is loaded, and all of it is there afterwards."""

import subprocess
import sys

LOADED = """
import sys
from importlib import import_module
from meshtools.spared_imports import spared_imports
from meshtools.worker import WARM_MODULES
{before}
with spared_imports():
    for name in WARM_MODULES:
        import_module(name)
print(*(name in sys.modules for name in ("numpy.testing", "unittest", "numpy.f2py", "scipy.optimize")))
import numpy, scipy.optimize
from scipy._lib import _array_api
from scipy.spatial.distance import jensenshannon
notes = _array_api.FunctionDoc(scipy.optimize.bisect)["Notes"]
print(numpy.testing.assert_equal(1, 1), numpy.f2py.__name__, jensenshannon([1.0, 0.0], [1.0, 0.0]), len(notes) > 0)
"""


def loaded(before: str = "") -> list[str]:
    """Which of four modules are loaded with a worker's libraries in a process of its own, and what whoever asks afterwards is given."""
    return subprocess.run([sys.executable, "-P", "-c", LOADED.format(before=before)], check=True, capture_output=True, text=True).stdout.splitlines()


def test_a_worker_loads_neither_tools_of_tests_nor_a_translator_of_fortran_and_whoever_asks_afterwards_has_them() -> None:
    assert loaded() == ["False False False False", "None numpy.f2py 0.0 True"]


def test_a_scipy_that_is_made_otherwise_loads_all_it_wants() -> None:
    before = "import meshtools.spared_imports as spared; spared.STARRED = spared.DOCUMENTING = 'scipy.no_such_module'"
    assert loaded(before) == ["True True True False", "None numpy.f2py 0.0 True"]
