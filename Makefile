# make setup | demo | test | check | faults | fuzz | bench | bench-symmetry | bench-torture. Everything lives in .venv; nothing is installed twice.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := demo
STAMP := $(VENV)/.installed
TEST_STAMP := $(VENV)/.installed-for-tests
SECONDS ?= 60

export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
export MKL_NUM_THREADS := 1

.PHONY: setup setup-test demo test check faults fuzz bench bench-symmetry bench-torture viewer

setup: $(STAMP)

$(STAMP): pyproject.toml constraints.txt setup/system_libraries.sh
	sh setup/system_libraries.sh
	$(PYTHON) setup/check_python.py
	$(BIN)/python -m pip --version >/dev/null 2>&1 || $(PYTHON) -m venv --clear $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --compile -c constraints.txt -e .
	$(BIN)/python -m compileall -q meshtools
	touch $@

setup-test: $(TEST_STAMP)

$(TEST_STAMP): $(STAMP)
	sh setup/system_libraries.sh browser
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --compile -c constraints.txt -e '.[test]'
	$(BIN)/python tests/real_bones.py
	touch $@

demo: setup
	@test -d $(DEMO)/config || $(BIN)/bonewright demo $(DEMO)
	@$(BIN)/bonewright build --batch $(DEMO); code=$$?; test $$code -le 1

check: setup-test
	$(BIN)/ruff check .
	$(BIN)/mypy

test: check
	$(BIN)/python -m pytest -q -n 2 --dist worksteal -p no:cacheprovider --durations=40

faults: setup-test
	FAULT_EVERY=1 $(BIN)/python -m pytest -q -p no:cacheprovider tests/test_faults.py

fuzz: setup-test
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[fuzz]' || echo "Without atheris: plain mutations."
	$(BIN)/python tests/fuzz_readers.py $(SECONDS)

bench: setup-test
	$(BIN)/python benchmarks/bench.py

bench-symmetry: setup-test
	$(BIN)/python benchmarks/symmetry.py

bench-torture: setup-test
	$(BIN)/python benchmarks/torture.py

viewer:
	cd viewer && npm install --no-package-lock && npm run build
