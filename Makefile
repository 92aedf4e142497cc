# make demo   own environment, installation, made footage measured and reported
# make screens pictures of every screen of the workbench, into docs/screens
# make test   style, types, order of imports, tests

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin

.PHONY: demo test check pictures screens clean

demo: $(VENV)/.installed
	$(BIN)/halfvolley demo demo

test: $(VENV)/.installed-dev
	$(MAKE) check
	$(BIN)/python -m pytest --ignore=tests/web --numprocesses auto --maxprocesses 4 --dist loadfile
	$(BIN)/python -m pytest tests/web  # by themselves: late in a long run a page stays busy

check: $(VENV)/.installed-dev
	$(BIN)/ruff format --check src tests examples benchmarks
	$(BIN)/ruff check src tests examples benchmarks
	$(BIN)/mypy
	$(BIN)/lint-imports

# the pictures in docs/pictures, from the demo's own output
pictures: demo
	$(BIN)/python docs/make_pictures.py demo docs/pictures

# every screen and state of the workbench, as Chromium shows it
screens: $(VENV)/.installed-dev
	$(BIN)/python docs/make_screens.py docs/screens

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

# the short demo compiles every kernel once and keeps the result, as any first run would
$(VENV)/.installed: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable .
	@echo "compiling, about two minutes, this once"
	rm -rf $(VENV)/compiling
	$(BIN)/halfvolley demo $(VENV)/compiling --duration-s 2.5 --no-video >/dev/null
	rm -rf $(VENV)/compiling
	touch $@

$(VENV)/.installed-dev: pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]'
	touch $@

clean:
	rm -rf demo .pytest_cache .mypy_cache .ruff_cache .import_linter_cache
