# Two commands do everything on a machine with Python 3.11+ and make: `make demo` and `make test`.
# Both make a virtual environment in .venv first. Set VENV to use another place.

PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
INSTALL := $(BIN)/python -m pip install --quiet --disable-pip-version-check -c .ci/constraints.txt

.PHONY: demo test check lint types audit contract dashboards clean
.PHONY: fuzz soak
.PHONY: bench bench-speed bench-quick bench-lab bench-reach bench-health bench-scale

demo: $(VENV)/.demo
	$(BIN)/streamer demo $(ARGS)

# All tests: file by file in their order, one file more at a time than there are cores, because tests
# mostly wait for servers: two files on two cores leave 38 % of them idle (measured). With ARGS one
# after the other, so that -x, -s and --pdb do as they say. Not reordered by the number of tests in
# a file: those with few are the slow ones, and the last would run alone.
FILES = $(shell $(BIN)/python -c 'import os; print(min(4, (os.cpu_count() or 1) + 1))')
ALL = -n $(FILES) --dist loadfile --no-loadscope-reorder

test: $(VENV)/.dev
	$(BIN)/python -m pytest $(or $(ARGS),$(ALL))

check: lint types audit test

lint: $(VENV)/.dev
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .

types: $(VENV)/.dev
	$(BIN)/mypy streamer tests dashboards

# Faults in what we wrote (bandit) and known ones in what we install (pip-audit). Where no service
# of advisories can be reached, it says that nothing was audited; STREAMER_AUDIT_MUST=1 fails then.
# In tests/ is left out what tests are made of: asserts, chance, made-up passwords, servers started
# and asked, SQL and pickles of their own.
OF_TESTS := B101,B104,B105,B106,B107,B108,B301,B310,B311,B403,B404,B603,B607,B608

audit: $(VENV)/.dev
	$(BIN)/bandit -q -c pyproject.toml -r streamer configs dashboards
	$(BIN)/bandit -q -r tests -s $(OF_TESTS)
	$(BIN)/python -m tests.audit

# One after the other, whatever -j says: each needs the machine to itself.
.NOTPARALLEL:
bench: bench-speed bench-lab bench-reach bench-health

bench-speed: $(VENV)/.dev
	$(BIN)/python -m tests.bench $(ARGS)

bench-quick: $(VENV)/.dev
	$(BIN)/python -m tests.bench --quick $(ARGS)

bench-lab: $(VENV)/.dev
	$(BIN)/python -m tests.bench.replay
	$(BIN)/python -m tests.bench.compare

bench-reach: $(VENV)/.dev
	$(BIN)/python -m tests.bench.reach

bench-health: $(VENV)/.dev
	$(BIN)/python -m tests.bench.health

bench-scale: $(VENV)/.dev
	$(BIN)/python -m tests.bench.scale $(ARGS)

# Each reader of bytes for ARGS seconds (60), guided by coverage.
fuzz: $(VENV)/.dev
	$(BIN)/python -m tests.fuzz $(ARGS)

# An hour under load while parts of it are killed; ARGS="--minutes 5" is shorter.
soak: $(VENV)/.dev
	$(BIN)/python -m tests.soak $(ARGS)

contract: $(VENV)/.dev
	$(BIN)/streamer contract shared

dashboards: $(VENV)/.dev
	$(BIN)/python -m dashboards.make

$(VENV)/bin/python:
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11))' || \
	  { echo "Python 3.11 or newer is needed; set PYTHON=python3.12 or the like"; exit 1; }
	$(PYTHON) -m venv $(VENV)

$(VENV)/.demo: pyproject.toml .ci/constraints.txt | $(VENV)/bin/python
	$(INSTALL) -e '.[demo]'
	@touch $@

$(VENV)/.dev: pyproject.toml .ci/constraints.txt | $(VENV)/bin/python
	$(INSTALL) -e '.[dev]'
	@touch $@ $(VENV)/.demo

clean:
	rm -rf $(VENV) build *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis
