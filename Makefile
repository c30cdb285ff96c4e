# Everything a contributor does. A fresh clone needs Python 3.11 or newer, and make.

PYTHON ?= $(shell for python in python3 python3.14 python3.13 python3.12 python3.11; do \
	$$python -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$python && break; done)
VENV := .venv
BIN := $(VENV)/bin
DATA := .data
OPTIONS :=

# Debian's packages are installed where that is allowed without asking for a password
APT := $(shell [ "$$(id -u)" = 0 ] || echo sudo -n) apt-get
apt_install = { command -v apt-get && $(APT) update -q && \
	DEBIAN_FRONTEND=noninteractive $(APT) install -y -q --no-install-recommends $(1); } >/dev/null 2>&1

.PHONY: run setup test lint bench chromium clean

run: $(VENV)/.installed ## open the pages with the demo pieces in them; make run OPTIONS="--port 8971"
	@$(BIN)/spareshaft --demo --data $(DATA) $(OPTIONS)

setup: $(VENV)/.developing ## install all that developing needs

test: $(VENV)/.developing chromium ## run all tests
	@$(BIN)/python -m pytest -n 2 --dist worksteal

lint: $(VENV)/.developing ## style, types, and which part may know which
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports

bench: $(VENV)/.developing chromium ## how long planning takes, taps, the cloth, a stroke
	@$(BIN)/python -m tests.bench
	@$(BIN)/python -m tests.bench.more
	@$(BIN)/python -m tests.bench.taps
	@$(BIN)/python -m tests.bench.tablet
	@$(BIN)/python -m tests.bench.cloth
	@$(BIN)/python -m tests.bench.squared

chromium: ## the browser that tests tap in, without a screen where Debian has it so: it is thrice as quick
	@command -v chromium-headless-shell >/dev/null || $(call apt_install,chromium-headless-shell) || \
	for browser in chromium chromium-browser google-chrome; do \
		command -v $$browser >/dev/null && exit 0; done || \
	$(call apt_install,chromium) || \
	echo "It cannot be installed from here. The browser's tests need it: sudo apt-get install chromium"

clean: ## remove what can be made again; the pieces in $(DATA) stay
	rm -rf $(VENV) build dist .hypothesis .import_linter_cache .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

$(VENV)/.made:
	@[ -n "$(PYTHON)" ] || { echo "Spareshaft needs Python 3.11 or newer: make PYTHON=/path/to/python"; exit 1; }
	@$(PYTHON) -m venv $(VENV) >/dev/null 2>&1 \
	|| { $(call apt_install,python3-venv) && $(PYTHON) -m venv $(VENV); } \
	|| { echo "$(PYTHON) cannot make a virtual environment: sudo apt-get install python3-venv"; exit 1; }
	@$(BIN)/python -m pip install --quiet --upgrade 'pip>=25.1'
	@touch $@

$(VENV)/.installed: $(VENV)/.made pyproject.toml
	@echo "Installing Spareshaft into $(VENV) ..."
	@$(BIN)/python -m pip install --quiet --editable .
	@touch $@

$(VENV)/.developing: $(VENV)/.installed
	@echo "Installing what developing needs ..."
	@$(BIN)/python -m pip install --quiet --group dev
	@touch $@
