# Everything a person or a machine does with the project: `make` lists it.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
SPEED ?=
UPGRADE ?=

RUNTIME_STAMP := $(VENV)/.installed
DEV_STAMP := $(VENV)/.installed-dev

.DEFAULT_GOAL := help
.PHONY: help setup setup-dev demo test nightly bench lint lock clean

help: ## list these targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-10s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

setup: $(RUNTIME_STAMP) ## make .venv with what the service needs (PYTHON=python3.12 picks another)

setup-dev: $(DEV_STAMP) ## the same, with the tools for tests and measurements

# `exec` makes the demo the process that Ctrl-C reaches; it leaves with 0 when it ended cleanly.
demo: $(RUNTIME_STAMP) ## a packing morning at true speed on this machine (SPEED=10 hurries it)
	@exec $(BIN)/python -m fixtures.demo $(if $(SPEED),--speed $(SPEED))

test: $(DEV_STAMP) ## every check: style, types, layers, tests, coverage
	@exec .ci/test

nightly: $(DEV_STAMP) ## the same with many more generated cases
	@DRUPE_NIGHTLY=1 exec .ci/test

bench: $(DEV_STAMP) ## measure speed, each figure against a peer in the same run
	@exec $(BIN)/python -m benchmarks

lint: $(DEV_STAMP) ## style, types and layers only
	@exec .ci/lint

# The locks keep their versions; UPGRADE=1 takes the newest. The runtime lock follows the other.
LOCK = $(BIN)/uv pip compile pyproject.toml --quiet --universal --python-version 3.11 \
	--generate-hashes --no-emit-index-url --no-annotate --custom-compile-command "make lock" \
	$(if $(UPGRADE),--upgrade) --extra build

lock: $(DEV_STAMP) ## write both lock files anew (UPGRADE=1 for newer versions)
	$(LOCK) --extra dev --extra bench --output-file requirements-dev.lock
	$(LOCK) --constraint requirements-dev.lock --output-file requirements.lock
	@if grep -nE 'https?://|file:|index-url' requirements.lock requirements-dev.lock; then \
		echo "make lock: a lock file names a place" >&2; exit 1; fi

clean: ## remove caches and build leftovers (never data)
	rm -rf build dist htmlcov .coverage .coverage.* .mypy_cache .pytest_cache .ruff_cache \
		.import_linter_cache .hypothesis *.egg-info
	find . -path ./$(VENV) -prune -o -name __pycache__ -type d -exec rm -rf {} +

# The two stamps share one .venv: each lock is installed at most once per change. A lock is
# whole, so nothing is resolved again (some versions of pip then take a newer release than the
# locked one for a dependency with extras, and refuse it); `pip check` says if it was not.
$(BIN)/python:
	@command -v $(PYTHON) >/dev/null || { \
		echo "drupe: no '$(PYTHON)' here; say which to use: make PYTHON=python3.11" >&2; exit 1; }
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { \
		echo "drupe needs Python 3.11 or newer; '$(PYTHON)' is not: $$($(PYTHON) -V 2>&1)" >&2; \
		echo "Say which to use: make PYTHON=python3.11" >&2; exit 1; }
	@echo "making $(VENV) with $$($(PYTHON) -V)"
	@$(PYTHON) -m venv $(VENV) || { rm -rf $(VENV); \
		echo "drupe: could not make $(VENV); on Debian: apt-get install python3-venv" >&2; exit 1; }

INSTALL = $(BIN)/python -m pip install --quiet --disable-pip-version-check
CHECK = $(BIN)/python -m pip check --disable-pip-version-check

$(RUNTIME_STAMP): requirements.lock pyproject.toml | $(BIN)/python
	@echo "installing requirements.lock"
	@$(INSTALL) --no-deps --require-hashes -r requirements.lock
	@$(INSTALL) --no-deps --no-build-isolation -e .
	@$(CHECK)
	@touch $@

$(DEV_STAMP): requirements-dev.lock $(RUNTIME_STAMP)
	@echo "installing requirements-dev.lock"
	@$(INSTALL) --no-deps --require-hashes -r requirements-dev.lock
	@$(CHECK)
	@touch $@
