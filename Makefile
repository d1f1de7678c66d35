# Everything needs python3 alone: `make demo` and `make test` install what they need into $(VENV) first.
#
#   make demo                                   a first tour, six to ten minutes on two cores
#   make demo PIP_ARGS="--extra-index-url …"    the same with another package index, see README.md

VENV ?= .venv
PYTHON ?= python3
PIP_ARGS ?=
BIN := $(VENV)/bin
STAMP := $(VENV)/installed
STAMP_REFERENCE := $(VENV)/installed-reference
ROOMS := joints data_gen models evaluation train scoring commands

.PHONY: demo test test-slow reference notebooks lint bench clean clean-compiled
.DELETE_ON_ERROR:

demo: $(STAMP)
	$(BIN)/jointwise demo

test: $(STAMP)
	$(BIN)/python -m pytest -m "not slow and not reference" -n auto --maxprocesses 4 --dist loadscope

test-slow: $(STAMP)
	$(BIN)/python -m pytest -m "slow and not reference" --ignore=tests/commands/test_notebooks.py

notebooks: $(STAMP)
	$(BIN)/python -m pytest tests/commands/test_notebooks.py

reference: $(STAMP_REFERENCE)
	$(BIN)/python -m pytest -m reference

lint: $(STAMP) build/types/jointwise
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	MYPYPATH=build/types $(BIN)/mypy $(addprefix -p jointwise.,$(ROOMS))
	$(BIN)/lint-imports

# Each script in bench/ measures one thing and rewrites the CSV beside it, so that a slowdown is a diff.
# What needs development boards and models lies in bench/transfer and is called by hand.
bench: $(STAMP)
	set -e; for script in bench/*.py; do echo "$$script"; $(BIN)/python "$$script"; done

# Removes what can be made again; results in out/ stay.
clean:
	rm -rf $(VENV) build dist *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

# Compiled kernels that numba would go on using after a module they import has changed.
clean-compiled:
	find . -path ./$(VENV) -prune -o \( -name '*.nbi' -o -name '*.nbc' \) -exec rm -f {} +

# The type checker must see the rooms under the name they are imported by.
build/types/jointwise:
	mkdir -p build/types
	ln -sfn ../.. $@

$(STAMP): pyproject.toml constraints.txt
	$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "expected Python 3.11 or newer, found " + sys.version.split()[0] + "; name one with PYTHON=…")'
	test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install $(PIP_ARGS) --constraint constraints.txt --editable ".[dev]"
	touch $@

$(STAMP_REFERENCE): $(STAMP)
	$(BIN)/python -m pip install $(PIP_ARGS) --constraint constraints.txt --editable ".[dev,reference]"
	touch $@
