# Set-up, demo and tests on a machine that has Python 3.11 and make only.
PYTHON ?= python3.11
VENV ?= .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed
DEMO := demo_nursery

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

# Measures a copy of the sample nursery, so that sample_images/ stays as it is. Exit code 3 means that a photo was
# refused: one of them must be.
demo: $(STAMP)
	@rm -rf $(DEMO) && mkdir -p $(DEMO) && cp -R sample_images/nursery/. $(DEMO)/
	$(BIN)/fragarea check sample_images/known-areas/*.jpg --nursery $(DEMO)
	$(BIN)/fragarea measure $(DEMO) || [ $$? -eq 3 ]
	$(BIN)/fragarea table $(DEMO) --since 2025-07-01
	$(BIN)/fragarea export $(DEMO) --to $(DEMO)/areas.xlsx
	$(BIN)/fragarea weekly $(DEMO) --until 2025-06-05
	$(BIN)/fragarea weekly $(DEMO)
	$(BIN)/fragarea growth $(DEMO) --plots $(DEMO)/reports/growth
	@echo "The demo nursery is in $(DEMO)/: open $(DEMO)/reports/report.html, the weekly report beside it, and the pictures."

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
	.lock-venv/bin/pip-compile --quiet --extra dev --extra cluster --strip-extras --no-emit-index-url \
	  --no-emit-trusted-host --no-emit-find-links --no-header -o requirements.lock pyproject.toml
	rm -rf .lock-venv

clean:
	rm -rf $(VENV) $(DEMO) build dist .pytest_cache .mypy_cache .ruff_cache
