# Two commands do everything: `make demo` and `make test`. Paths are relative, so a folder with a space in its name is fine.
PYTHON ?= python3
WORKERS ?= auto
UPGRADE ?=
MUTATE ?=
SHARE ?= 100
PY := .venv/bin/python
PIP := $(PY) -m pip --disable-pip-version-check --no-input
UV_VERSION := 0.13.9

.PHONY: help demo test subset lowest soak bench mutants checkers lint lock picture clean

help:  ## list the targets
	@sed -n 's/^\([a-z]*\):.*## /\1\t/p' Makefile | expand -t 12

demo: .venv/.core  ## set up, then run the main job on sample_runs/
	.venv/bin/benchpipe demo

test: .venv/.test  ## set up, then run all tests
	$(PY) -m pytest -n $(WORKERS)

soak: .venv/.test  ## the long tests, and all examples of the properties
	HYPOTHESIS_PROFILE=soak $(PY) -m pytest -m "soak or hypothesis"

bench: .venv/.test  ## speed, memory and coverage, written into the guide
	$(PY) -m tests.benchmarks

mutants: .venv/.mutants  ## change the code in one place at a time: does a test notice? (MUTATE=benchpipe/check/rules.py SHARE=10)
	PYTHONPATH="$(CURDIR)/.venv/mutants" $(PY) -m tests.mutants $(MUTATE) --share $(SHARE)

checkers: .venv/.checkers  ## a second checker of records (PDF/UA), in a folder of its own; `make test` uses it where it is

lint: .venv/.test  ## ruff and mypy --strict
	$(PY) -m ruff check .
	$(PY) -m mypy

picture: .venv/.core  ## draw what README shows: a summary, a figure of a page, and a first night as it was recorded
	$(PY) -m benchpipe.cli.picture sample_runs/summary.svg sample_runs/stiffness.svg
	$(PY) -m benchpipe.cli.recording sample_runs/first-night.svg

lock: .venv/.core  ## pin again after a change in pyproject.toml (UPGRADE=--upgrade: to the newest)
	$(PIP) install --quiet --target .venv/lock uv==$(UV_VERSION)
	$(LOCK) --group build -o .lock/core.txt
	$(LOCK) --group build --group test --all-extras -c .lock/core.txt -o .lock/test.txt
	$(subst pyproject.toml,,$(LOCK)) --group mutants -c .lock/test.txt -o .lock/mutants.txt
	$(subst pyproject.toml,,$(LOCK)) --group checkers -c .lock/test.txt -o .lock/checkers.txt

lowest: .venv/.core  ## try the oldest versions that pyproject.toml allows (an environment of its own)
	$(PIP) install --quiet --target .venv/lock uv==$(UV_VERSION)
	rm -f .venv/lowest.txt
	$(LOWEST) --all-extras -o .venv/lowest.txt
	$(PYTHON) -m venv --clear .venv/lowest
	.venv/lowest/bin/python -m pip --disable-pip-version-check install --quiet --only-binary :all: -r .venv/lowest.txt \
		hypothesis pandas pint pytest pytest-xdist rainflow
	.venv/lowest/bin/python -m pytest -q -n $(WORKERS) $(SUBSET)

clean:  ## remove the environment and all caches
	rm -rf .venv .hypothesis .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

LOCK = .venv/lock/bin/uv pip compile pyproject.toml --quiet --universal --python-version 3.11 --only-binary :all: \
	--generate-hashes --no-emit-index-url --annotation-style line --custom-compile-command 'make lock' $(UPGRADE)

LOWEST = .venv/lock/bin/uv pip compile pyproject.toml --quiet --resolution lowest-direct --python $(PYTHON) \
	--only-binary :all: --no-header --no-annotate --no-emit-index-url
# What differs between versions of Python and of the libraries, and what a user sees first.
SUBSET := tests/cli/test_cli_start.py tests/cli/test_cli_init.py tests/cli/test_cli_exit_codes.py tests/config \
	tests/store/test_store_atomic.py tests/ingest/test_readers_formats.py tests/ingest/test_readers_kit.py \
	tests/ingest/test_run_files.py tests/simulate/test_simulate_folder.py tests/kernels/test_compiled_cache.py

subset: .venv/.test  ## the tests that versions of Python and of libraries change
	$(PY) -m pytest -n $(WORKERS) $(SUBSET)

# The stamps are written last. Without one no install was ever finished, and the next starts from an empty .venv.
.venv/.core: .lock/core.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' || \
		{ echo 'make: $(PYTHON) must be Python 3.11, 3.12 or 3.13; name one that is: make PYTHON=python3.12' >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
		{ echo 'make: $(PYTHON) has no venv; install it first: apt-get install python3-venv' >&2; exit 1; }
	@echo 'make: setting up .venv with pinned versions, a few minutes the first time'
	test -e $@ || $(PYTHON) -m venv --clear .venv
	rm -f $@
	$(PIP) install --only-binary :all: --require-hashes -r .lock/core.txt
	$(PIP) install --quiet --no-deps --no-build-isolation -e .
	touch $@

.venv/.test: .lock/test.txt .venv/.core
	rm -f .venv/.core $@
	$(PIP) install --only-binary :all: --require-hashes -r .lock/test.txt
	touch .venv/.core $@

# A folder of its own, of which only `make mutants` knows: what it shares with .venv has the same version there.
.venv/.mutants: .lock/mutants.txt .venv/.test
	rm -rf .venv/mutants $@
	$(PIP) install --quiet --only-binary :all: --require-hashes --target .venv/mutants -r .lock/mutants.txt
	touch $@

# As above: only the test of records knows of this folder. One of its parts is AGPL, and is never imported with ours.
.venv/.checkers: .lock/checkers.txt .venv/.test
	rm -rf .venv/checkers $@
	$(PIP) install --quiet --only-binary :all: --require-hashes --target .venv/checkers -r .lock/checkers.txt
	touch $@
