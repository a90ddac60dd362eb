# Two commands for a user, `make run` and `make test`; both do all their own set-up. The rest is for contributors (DEVELOPERS.md).

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
LOG ?= sample_logs/crooked_bench
OUT ?= flight_figures

.PHONY: run test lint types bench lock setup setup-test clean

run: setup
	@sh resources/setup/run_sample.sh $(BIN) $(LOG) $(OUT)

test: setup-test lint
	QT_QPA_PLATFORM=offscreen $(BIN)/pytest -n 2 --dist loadfile --cov --cov-report=term:skip-covered -m "not benchmark"
	NUMBA_DISABLE_JIT=1 $(BIN)/pytest -q -m "not benchmark" -k "twin or reference" tests/review tests/motion/test_twins.py

lint: setup-test
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy
	$(BIN)/lint-imports

bench: setup-test
	QT_QPA_PLATFORM=offscreen $(BIN)/pytest -q -s -m benchmark tests/benchmarks

# The lock names versions only, no hosts; it resolves for every Python from 3.11 on.
lock: setup-test
	$(BIN)/pip install -q uv
	$(BIN)/uv pip compile pyproject.toml --all-extras --python-version 3.11 --universal --no-annotate --no-header --no-emit-index-url \
	  --no-emit-find-links --upgrade -o constraints.txt

setup: $(VENV)/.installed
setup-test: $(VENV)/.installed-test

$(VENV)/.python: resources/setup/system_libraries.sh
	@$(PYTHON) -c 'import sys; sys.exit("Plumbline needs Python 3.11 or newer; this is " + sys.version.split()[0] + " (make PYTHON=/path/to/python ...)" if sys.version_info < (3, 11) else 0)'
	@PYTHON=$(PYTHON) sh resources/setup/system_libraries.sh window
	$(PYTHON) -m venv $(VENV)
	@touch $@

$(VENV)/.installed: $(VENV)/.python pyproject.toml constraints.txt
	$(BIN)/pip install -q --disable-pip-version-check -c constraints.txt -e ".[parquet,film]"
	@touch $@

$(VENV)/.installed-test: $(VENV)/.python pyproject.toml constraints.txt
	@PYTHON=$(BIN)/python sh resources/setup/system_libraries.sh test
	$(BIN)/pip install -q --disable-pip-version-check -c constraints.txt -e ".[parquet,film,cluster,test]"
	@touch $@ $(VENV)/.installed

clean:
	rm -rf $(VENV) $(OUT) .pytest_cache .mypy_cache .ruff_cache .hypothesis .coverage
