.DEFAULT_GOAL := help
SHELL := /bin/sh

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
PIP := $(BIN)/python -m pip --disable-pip-version-check --quiet
HTMX := web/static/vendor/htmx.js

# The demo has a database of its own, so that it never mixes with a real one.
DEMO_ENV := RIMAYE_DEMO=true RIMAYE_DATABASE_URL=$${RIMAYE_DATABASE_URL:-sqlite:///var/demo.sqlite3}

.PHONY: help run serve test lint format types walls unit bench clean dev-tools

help: ## Show what can be made
	@awk -F ':.*## ' '/^[a-z-]+:.*## / { printf "  make %-10s %s\n", $$1, $$2 }' $(MAKEFILE_LIST)

run: $(VENV)/.runtime $(HTMX) ## Install, migrate, fill in the demo and serve it on this machine
	@$(DEMO_ENV) $(BIN)/rimaye migrate
	@$(DEMO_ENV) $(BIN)/rimaye demo seed
	@$(DEMO_ENV) $(BIN)/rimaye serve

serve: $(VENV)/.runtime $(HTMX) ## Install, migrate and serve your own database, without the demo
	@$(BIN)/rimaye migrate
	@$(BIN)/rimaye serve

test: dev-tools ## Install everything and run every check: style, types, walls, tests on both databases
	@$(MAKE) --no-print-directory lint
	@$(BIN)/pytest -n 2 --dist loadfile

lint: $(VENV)/.dev ## Check style, types and walls
	@$(BIN)/ruff check .
	@$(BIN)/ruff format --check .
	@$(BIN)/mypy
	@$(BIN)/lint-imports --no-logo

format: $(VENV)/.dev ## Put the code into its one style
	@$(BIN)/ruff check --fix .
	@$(BIN)/ruff format .

unit: $(VENV)/.dev $(HTMX) ## Run the tests that need no browser, on SQLite and PostgreSQL
	@$(BIN)/pytest -n 2 --dist loadfile --ignore tests/browser

bench: $(VENV)/.dev $(HTMX) ## Measure, as ratios to baselines of the same run, and write tests/bench/RESULTS.md
	@$(BIN)/python -m tests.bench

clean: ## Remove what was installed and made, but no database
	rm -rf $(VENV) node_modules web/static/vendor .pytest_cache .mypy_cache .ruff_cache .hypothesis

dev-tools: $(VENV)/.dev
	@$(BIN)/python -m scripts.test_tools
	@$(BIN)/python -m scripts.browser_code --dev

$(BIN)/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed: make PYTHON=python3.12")'
	@$(PYTHON) -m venv $(VENV) || { echo "On Debian: apt-get install python3-venv"; exit 1; }

$(VENV)/.runtime: pyproject.toml constraints.txt | $(BIN)/python
	@echo "Installing (a minute the first time) ..."
	@$(PIP) install --constraint constraints.txt --editable '.[postgres,pdf]'
	@touch $@

$(VENV)/.dev: pyproject.toml constraints.txt | $(BIN)/python
	@echo "Installing with what tests need (some minutes the first time) ..."
	@$(PIP) install --constraint constraints.txt --editable '.[dev]'
	@touch $@ $(VENV)/.runtime

$(HTMX): package.json package-lock.json scripts/browser_code.py | $(VENV)/.runtime
	@$(BIN)/python -m scripts.browser_code
