# make setup | demo | test | check | faults | fuzz | bench | bench-batch | bench-symmetry | bench-torture. Everything lives in .venv; nothing is installed twice.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
DEMO := demo
STAMP := $(VENV)/.installed
TEST_STAMP := $(VENV)/.installed-for-tests
LOOPS := $(VENV)/.compiled
INSTALLED_FROM := pyproject.toml constraints.txt setup/install.sh
SECONDS ?= 60
EVERY ?= 1

# make bench PEERS=FOLDER: sizes in millions of faces; PEERS_PYTHON is a Python that has the peers' libraries, else one is set up in the cache
PEERS ?=
SIZES ?= 0.25 1
TOLERANCE_MM ?= 0.05
REPEATS ?= 1
LONGEST_S ?= 3600
FIGURES ?= .cache/bench.json
SCANS ?=
PEERS_ENV := .cache/peers-env
PEERS_STAMP := $(PEERS_ENV)/.installed
PEERS_PYTHON ?=
PEERS_LIBRARIES := numpy scipy stl_reader pymeshfix fast_simplification manifold3d open3d lib3mf pyvista trimesh networkx lxml pymeshlab matplotlib

export OPENBLAS_NUM_THREADS := 1
export OMP_NUM_THREADS := 1
export MKL_NUM_THREADS := 1

.PHONY: setup setup-test libraries browser real-bones demo test check faults fuzz bench bench-batch bench-symmetry bench-torture viewer

setup: $(LOOPS)

libraries:
	@sh setup/system_libraries.sh

browser: libraries
	@sh setup/system_libraries.sh browser

$(STAMP): $(INSTALLED_FROM) | libraries
	PYTHON='$(PYTHON)' sh setup/install.sh $(VENV)
	touch $@

$(TEST_STAMP): $(INSTALLED_FROM) | libraries
	PYTHON='$(PYTHON)' sh setup/install.sh $(VENV) '[test]'
	touch $(STAMP) $@

# by two processes where there are two cores; what is compiled already is only looked at
$(LOOPS): $(STAMP) $(wildcard meshtools/geometry/*.py)
	@echo 'Compiling loops to machine code: about a minute on two cores, two on one ...'
	$(BIN)/python -P -m meshtools.geometry.compiled
	touch $@

real-bones: $(TEST_STAMP)
	@$(BIN)/python tests/real_bones.py

# by the make below, two at a time, so that a browser comes while packages do, and linters run while loops are compiled; $(TEST_STAMP) makes $(STAMP), too
setup-test:
	@$(MAKE) --no-print-directory -j 2 $(TEST_STAMP) browser
	@$(MAKE) --no-print-directory -j 2 $(LOOPS) real-bones

demo: setup
	@test -d $(DEMO)/config || $(BIN)/bonewright demo $(DEMO)
	@$(BIN)/bonewright build --batch $(DEMO); code=$$?; test $$code -le 1

check: $(TEST_STAMP)
	$(BIN)/ruff check .
	$(BIN)/mypy

test:
	@$(MAKE) --no-print-directory -j 2 $(TEST_STAMP) browser
	@$(MAKE) --no-print-directory -j 2 $(LOOPS) check real-bones
	$(BIN)/python -m pytest -q -n 2 --dist loadfile --no-loadscope-reorder -p no:cacheprovider --durations=40

faults: setup-test
	FAULT_EVERY=$(EVERY) $(BIN)/python -m pytest -q -p no:cacheprovider tests/test_faults.py

fuzz: setup-test
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -c constraints.txt -e '.[fuzz]' || echo "Without atheris: plain mutations."
	$(BIN)/python tests/fuzz_readers.py $(SECONDS)

ifeq ($(PEERS),)
bench: setup-test
	$(BIN)/python benchmarks/bench.py
else
bench: setup-test $(if $(PEERS_PYTHON),,$(PEERS_STAMP))
	$(BIN)/python benchmarks/bench.py --peers '$(PEERS)' --peers-python '$(or $(PEERS_PYTHON),$(PEERS_ENV)/bin/python)' \
	  --sizes '$(SIZES)' --tolerance-mm $(TOLERANCE_MM) --repeats $(REPEATS) --longest-s $(LONGEST_S) --figures '$(FIGURES)' $(if $(SCANS),--scans '$(SCANS)')
endif

$(PEERS_STAMP):
	$(PYTHON) -m venv --clear $(PEERS_ENV)
	$(PEERS_ENV)/bin/python -m pip install --quiet --disable-pip-version-check $(PEERS_LIBRARIES)
	touch $@

bench-batch: setup-test
	$(BIN)/python benchmarks/batch_cost.py

bench-symmetry: setup-test
	$(BIN)/python benchmarks/symmetry.py

# make bench-torture: real bones with known defects; make bench-torture MESHES=FOLDER: every mesh file of a folder
MESHES ?=
bench-torture: setup-test
	$(BIN)/python benchmarks/$(if $(MESHES),torture_files.py '$(MESHES)',torture.py)

viewer:
	cd viewer && npm install --no-package-lock && npm run build
