# Set-up, demo and tests on a machine that has Python 3.11 and make only.
PYTHON ?= python3.11
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.PHONY: help install demo test lint types lock bench clean

help:
	@echo "make demo   measure the photos of sample_images/ and say where the report is"
	@echo "make test   style, types and tests"
	@echo "make bench  speed, memory and accuracy figures (some need ../shared/)"

$(STAMP): requirements.lock pyproject.toml
	@$(PYTHON) -c 'import sys; assert sys.version_info >= (3, 11)' || \
	  { echo "Python 3.11 or newer is needed; set PYTHON=/path/to/python3.11"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --disable-pip-version-check -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-deps -e .
	@touch $(STAMP)

install: $(STAMP)

demo: $(STAMP)
	$(BIN)/fragarea demo

lint: $(STAMP)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(STAMP)
	$(BIN)/mypy

test: lint types
	$(BIN)/pytest

bench: $(STAMP)
	$(BIN)/python -m benchmarks

lock:
	$(PYTHON) -m venv .lock-venv
	.lock-venv/bin/python -m pip install --quiet pip-tools
	.lock-venv/bin/pip-compile --quiet --extra dev --strip-extras --no-emit-index-url \
	  --no-emit-trusted-host --no-emit-find-links --no-header -o requirements.lock pyproject.toml
	rm -rf .lock-venv

clean:
	rm -rf $(VENV) build dist .pytest_cache .mypy_cache .ruff_cache
