# Everything a contributor types. Each target installs what it needs by itself.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
SOURCES := faulttree tests benchmarks

.DEFAULT_GOAL := help
.PHONY: help demo test soak bench format docs clean

help:
	@echo "make demo    play the complete cycle in a temporary record"
	@echo "make test    everything CI runs: format, lint, types, tests, docs, the shipped library"
	@echo "make soak    the long tests; 'make test' runs a sample of them"
	@echo "make bench   measure times, as ratios within one run"
	@echo "make docs    write the generated parts of docs/ again"
	@echo "make format  format the code and correct lint errors"

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
		|| { echo "faulttree needs Python 3.11 or later: make PYTHON=/path/to/python3.11 ..."; exit 2; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml constraints.txt $(VENV)/bin/python
	$(PIP) install --constraint constraints.txt --editable .
	@$(BIN)/python -m compileall -q faulttree
	@touch $@

$(VENV)/.installed-dev: pyproject.toml constraints.txt $(VENV)/bin/python
	$(PIP) install --constraint constraints.txt --editable '.[dev,peers]'
	@touch $@ $(VENV)/.installed

demo: $(VENV)/.installed
	@$(BIN)/faulttree demo

test: $(VENV)/.installed-dev
	$(BIN)/ruff format --check $(SOURCES)
	$(BIN)/ruff check $(SOURCES)
	$(BIN)/mypy
	$(BIN)/pytest --numprocesses 2 --dist worksteal
	$(BIN)/faulttree check --fail-on note --known tests/shipped/known_findings.txt

soak: $(VENV)/.installed-dev
	$(BIN)/pytest -m "soak or hypothesis" --hypothesis-profile soak --timeout 3600

bench: $(VENV)/.installed-dev
	@$(BIN)/python -m compileall -q faulttree
	$(BIN)/python -m benchmarks

docs: $(VENV)/.installed-dev
	$(BIN)/python -m tests.generated

format: $(VENV)/.installed-dev
	$(BIN)/ruff format $(SOURCES)
	$(BIN)/ruff check --fix $(SOURCES)

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis
