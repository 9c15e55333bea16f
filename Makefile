# Two commands do everything: `make demo` and `make test`. Paths are relative, so a folder with a space in its name is fine.
PYTHON ?= python3
WORKERS ?= auto
UPGRADE ?=
PY := .venv/bin/python
PIP := $(PY) -m pip --quiet --disable-pip-version-check --no-input
UV_VERSION := 0.13.9

.PHONY: help demo test soak bench lint lock picture clean

help:  ## list the targets
	@sed -n 's/^\([a-z]*\):.*## /\1\t/p' Makefile | expand -t 12

demo: .venv/.core  ## set up, then run the main job on sample_runs/
	.venv/bin/benchpipe demo

test: .venv/.test  ## set up, then run all tests
	$(PY) -m pytest -n $(WORKERS)

soak: .venv/.test  ## the long tests, at full size
	$(PY) -m pytest -m soak

bench: .venv/.test  ## speed and memory against other ways of doing it
	$(PY) -m tests.benchmarks

lint: .venv/.test  ## ruff and mypy --strict
	$(PY) -m ruff check .
	$(PY) -m mypy

picture: .venv/.core  ## draw the terminal summary that README shows
	$(PY) -m benchpipe.cli.picture sample_runs/summary.svg

lock: .venv/.core  ## pin again after a change in pyproject.toml (UPGRADE=--upgrade: to the newest)
	$(PIP) install --target .venv/lock uv==$(UV_VERSION)
	$(LOCK) --group build -o .lock/core.txt
	$(LOCK) --group build --group test --all-extras -c .lock/core.txt -o .lock/test.txt

clean:  ## remove the environment and all caches
	rm -rf .venv .hypothesis .mypy_cache .pytest_cache .ruff_cache
	find . -name __pycache__ -type d -prune -exec rm -rf {} +

LOCK = .venv/lock/bin/uv pip compile pyproject.toml --quiet --universal --python-version 3.11 --only-binary :all: \
	--generate-hashes --no-emit-index-url --annotation-style line --custom-compile-command 'make lock' $(UPGRADE)

# The stamps are written last. Without one no install was ever finished, and the next starts from an empty .venv.
.venv/.core: .lock/core.txt pyproject.toml
	@$(PYTHON) -c 'import sys; sys.exit(not (3, 11) <= sys.version_info[:2] <= (3, 13))' || \
		{ echo 'make: $(PYTHON) must be Python 3.11, 3.12 or 3.13; name one that is: make PYTHON=python3.12' >&2; exit 1; }
	@$(PYTHON) -c 'import ensurepip, venv' 2>/dev/null || \
		{ echo 'make: $(PYTHON) has no venv; install it first: apt-get install python3-venv' >&2; exit 1; }
	test -e $@ || $(PYTHON) -m venv --clear .venv
	rm -f $@
	$(PIP) install --only-binary :all: --require-hashes -r .lock/core.txt
	$(PIP) install --no-deps --no-build-isolation -e .
	touch $@

.venv/.test: .lock/test.txt .venv/.core
	rm -f .venv/.core $@
	$(PIP) install --only-binary :all: --require-hashes -r .lock/test.txt
	touch .venv/.core $@
