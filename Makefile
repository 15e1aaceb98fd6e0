# Every target creates .venv when it is missing and uses it again afterwards.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
STAMP := $(VENV)/.installed

.DEFAULT_GOAL := help
.PHONY: help first-look test check format bench faults study clean

help: ## List the targets
	@awk -F ':.*## ' '/^[a-z-]+:.*## / {printf "  %-12s %s\n", $$1, $$2}' $(MAKEFILE_LIST)

$(STAMP): pyproject.toml
	@test -x $(BIN)/python || $(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install --quiet --disable-pip-version-check --editable '.[test]'
	@touch $(STAMP)

first-look: $(STAMP) ## Measure this machine with the profile first-look and leave a report
	@$(BIN)/rigproof run first-look --runs-dir runs; code=$$?; \
	  if [ $$code -eq 0 ] || [ $$code -eq 3 ]; then exit 0; else exit $$code; fi

test: $(STAMP) ## Run every test (at most six minutes on two cores; half of them waits)
	@$(BIN)/python -m pytest -q -n 4 --dist loadfile

check: $(STAMP) ## Formatting, lint and types
	@$(BIN)/ruff format --check .
	@$(BIN)/ruff check .
	@$(BIN)/mypy

format: $(STAMP) ## Put the code into the house's format
	@$(BIN)/ruff format .
	@$(BIN)/ruff check --fix .

bench: $(STAMP) ## Benchmarks: ratios measured side by side in one run
	@for file in tests/bench/bench_*.py; do echo "== $$file"; $(BIN)/python $$file || exit 1; done

faults: $(STAMP) ## Long fault campaigns (an hour or so): kills, power cuts, full disks, bit flips
	@RIGPROOF_KILLS=200 RIGPROOF_FLIPS=1000 RIGPROOF_CUTS=30 RIGPROOF_FULL=20 RIGPROOF_BYTES=300 \
	  RIGPROOF_FUZZ=2000 RIGPROOF_SOAK_MINUTES=30 $(BIN)/python -m pytest -q tests/faults tests/workloads

study: $(STAMP) ## Simulation study of the statistics: coverage, false alarms, power
	@for file in tests/bench/study_*.py; do echo "== $$file"; $(BIN)/python $$file || exit 1; done

clean: ## Remove the environment, caches and built files; runs stay
	rm -rf $(VENV) dist build .mypy_cache .ruff_cache .pytest_cache .hypothesis
