# Each target installs first what is missing. PYTHON names the interpreter to build .venv with.
PYTHON ?= python3
PORT ?= 8750
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/installed
TESTS_STAMP := $(VENV)/installed-tests
FUZZ_STAMP := $(VENV)/installed-fuzz
# Where Python is told to keep no bytecode, as in many containers, each start would take half as long again.
COMPILE := $(BIN)/python -m compileall -q demo service worker
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check --constraint constraints.txt

.PHONY: help install demo serve test test-thorough check bench calibrate chaos fuzz siege openapi texts clean

help: ## Show what there is to make
	@grep -hE '^[a-z-]+:.*##' $(MAKEFILE_LIST) | sed -E 's/:.*## /\t/' | expand -t 15

install: $(STAMP) ## Make .venv with all that the service needs

$(STAMP): pyproject.toml constraints.txt
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo "Python 3.11 or newer is needed: make PYTHON=python3.12 install" >&2; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(PIP) --editable .
	@touch $(STAMP)

$(TESTS_STAMP): $(STAMP)
	$(PIP) --editable '.[test]'
	@touch $(TESTS_STAMP)

$(FUZZ_STAMP): $(TESTS_STAMP)
	$(PIP) --editable '.[fuzz]'
	@touch $(FUZZ_STAMP)

demo: $(STAMP) ## Play eight weeks of an invented shop and print its last week (ONCE=1 ends there)
	@$(COMPILE)
	$(BIN)/cutledger demo --port $(PORT) $(if $(ONCE),--once)

serve: $(STAMP) ## Serve the folder data/ on 127.0.0.1:8750
	@$(COMPILE)
	$(BIN)/cutledger serve --port $(PORT)

test: $(TESTS_STAMP) ## Run the tests
	@$(COMPILE)
	$(BIN)/python -m pytest -n auto --dist worksteal

test-thorough: $(TESTS_STAMP) ## Run the tests with every long property at full length
	@$(COMPILE)
	CUTLEDGER_TEST_THOROUGH=1 $(BIN)/python -m pytest -n auto --dist worksteal

check: $(TESTS_STAMP) ## Check style, types, import contracts, the API document, and for known vulnerabilities
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports
	$(BIN)/cutledger openapi --check openapi/cutledger.json
	$(BIN)/python -m tests.vulnerabilities

bench: $(TESTS_STAMP) ## Measure, beside a floor in the same run
	@$(COMPILE)
	$(BIN)/python -m tests.bench

calibrate: $(TESTS_STAMP) ## Simulate shops whose truth is known, and hold intervals and verdicts against it (minutes)
	$(BIN)/python -m tests.calibrate

chaos: $(TESTS_STAMP) ## Kill processes for minutes, and look for what is lost (needs PostgreSQL and Redis installed)
	@$(COMPILE)
	$(BIN)/python -m tests.chaos all

fuzz: $(FUZZ_STAMP) ## Make 20,000 requests of the API document, and a million bodies, valid and not (minutes)
	@$(COMPILE)
	$(BIN)/python -m tests.fuzz
	$(BIN)/python -m tests.fuzz.bodies

siege: $(TESTS_STAMP) ## Attack the grown service in every way it must bear, and print what others see (needs PostgreSQL and Redis)
	@$(COMPILE)
	$(BIN)/python -m tests.siege

openapi: $(STAMP) ## Write the API document
	$(BIN)/cutledger openapi openapi/cutledger.json

texts: $(TESTS_STAMP) ## Gather the texts of the pages, and bring the catalogue of each language up to them
	$(BIN)/python -m tests.texts

clean: ## Remove what was installed and cached
	rm -rf $(VENV) *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
