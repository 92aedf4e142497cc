# make demo   own environment, installation, made footage measured and reported
# make test   style, types, order of imports, tests

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test check pictures clean

demo: $(VENV)/.installed
	$(BIN)/halfvolley demo demo

test: $(VENV)/.installed-dev
	$(MAKE) check
	$(BIN)/python -m pytest

check: $(VENV)/.installed-dev
	$(BIN)/ruff format --check src tests examples benchmarks
	$(BIN)/ruff check src tests examples benchmarks
	$(BIN)/mypy
	$(BIN)/lint-imports

# the pictures in docs/pictures, from the demo's own output
pictures: demo
	$(BIN)/python docs/make_pictures.py demo docs/pictures

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	touch $@

$(VENV)/.installed-dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $@ $(VENV)/.installed

clean:
	rm -rf demo .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
