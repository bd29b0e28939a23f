# Everything that a person or CI does with this checkout. `make` alone lists it.

PORT ?= 8000
PACE ?= 60
DATA ?= .demo
# One more than two cores: one of them runs the tests of real processes, which mostly wait.
JOBS ?= 3
ARGS ?=
SEEDS ?= 2000
SEED ?=
MINUTES ?= 3

# The first that is new enough, and can make an environment if any can; name another with PYTHON=... The system's own is
# asked first: distributions build theirs with a profile of real runs, and without that all takes a tenth longer or more.
PYTHON ?= $(shell for also in ", ensurepip" ""; do \
	for candidate in /usr/bin/python3 python3 python3.13 python3.12 python3.11 python3.14; do \
		"$$candidate" -c "import sys$$also; sys.exit(sys.version_info < (3, 11))" 2>/dev/null \
		&& echo "$$candidate" && break 2; done; done)

BIN := .venv/bin

# Tests start some hundred processes, and each would compile all that it loads.
unexport PYTHONDONTWRITEBYTECODE

.DEFAULT_GOAL := help
.PHONY: help setup demo tour test coverage simulate chaos lint format bench lock clean python-found ready-to-run

help: ## list these commands
	@echo "Linetender. Commands:"
	@sed -n 's/^\([a-z]*\):[^#]*## \(.*\)/  make \1|\2/p' $(firstword $(MAKEFILE_LIST)) \
		| while IFS='|' read -r command meaning; do printf '%-16s %s\n' "$$command" "$$meaning"; done
	@echo
	@echo "Settings, with their present values: PORT=$(PORT) PACE=$(PACE) DATA=$(DATA) JOBS=$(JOBS)"

setup: python-found ## make or refresh .venv for work on the code
	@"$(PYTHON)" deploy/prepare.py develop

demo: ready-to-run ## run everything on this machine with practice phones (PORT, PACE, DATA)
	@exec $(BIN)/linetender demo --port $(PORT) --pace $(PACE) --data "$(DATA)"

tour: ready-to-run ## play one overdue dive and print every phone's conversation (PORT, PACE, DATA)
	@exec $(BIN)/linetender tour --port $(PORT) --pace $(PACE) --data "$(DATA)"

test: setup ## run every test (JOBS at once; ARGS go to pytest)
	$(BIN)/pytest -n $(JOBS) --dist loadgroup $(ARGS)

coverage: setup ## fail where no example takes a branch of what must never go wrong (JOBS; ARGS go to pytest)
	$(BIN)/pytest -n $(JOBS) --dist loadgroup --cov --cov-report=term-missing:skip-covered \
		-m "not hypothesis and not postgres" tests/domain tests/gateways \
		tests/web/test_inbound*.py tests/web/test_posted.py \
		$(patsubst %,tests/operations/test_%.py,retrying routing asking answering storing_together database_gone_at_once) \
		$(ARGS)

simulate: setup ## play whole days by seed, with faults (SEEDS, JOBS; SEED=... plays one again and prints it)
	$(BIN)/python -m tests.simulation.run --seeds $(SEEDS) --jobs $(JOBS) $(if $(SEED),--seed $(SEED)) $(ARGS)

chaos: setup ## real processes under real faults (MINUTES, SEED); with some minutes more to come to rest
	$(BIN)/python -m tests.faults.chaos --minutes $(MINUTES) $(if $(SEED),--seed $(SEED)) $(ARGS)

lint: setup ## check style, types and import contracts
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	$(BIN)/mypy
	$(BIN)/lint-imports

format: setup ## put the code in the house format
	$(BIN)/ruff check --fix
	$(BIN)/ruff format

bench: setup ## measure against what else could be used; figures go to build/bench.json (ARGS go to pytest)
	$(BIN)/pytest -s -o python_files='bench_*.py' -o faulthandler_timeout=1800 tests/bench $(ARGS)

lock: setup ## resolve the dependencies and write both lock files (ARGS=--upgrade for newer ones)
	@$(BIN)/python deploy/lock.py $(ARGS)

clean: ## remove .venv, caches and the demo's data
	rm -rf .venv .setup .demo build .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache
	find service workers deploy tests -name __pycache__ -prune -exec rm -rf {} +

python-found:
	@"$(PYTHON)" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null \
		|| { echo "Linetender needs Python 3.11 or newer. Install it, or name it: make PYTHON=/path/to/python3"; exit 1; }

ready-to-run: python-found
	@"$(PYTHON)" deploy/prepare.py run
