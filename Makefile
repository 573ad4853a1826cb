# make demo    set up .venv, run the main job on the bundled invented cohort, print the answer
# make test    set up what the tests need, then ruff, mypy and pytest
# make help    the rest
#
# Needs Python 3.11 or newer, make and a package registry (the one your pip is set up for).
# PYTHON=/path/to/python3.12 make demo   chooses another Python.

ifndef PYTHON
PYTHON := $(shell for p in python3 python3.13 python3.12 python3.11 python; do \
    "$$p" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null && echo $$p && break; done)
endif

VENV := .venv
RUN := $(VENV)/bin/python
PIP := $(RUN) -m pip --disable-pip-version-check install --quiet

# Settings that would send packages elsewhere than .venv, or refuse what the locks have checked.
unexport PIP_USER PIP_TARGET PIP_PREFIX PIP_ROOT PIP_REQUIRE_HASHES PIP_NO_BUILD_ISOLATION PIP_ONLY_BINARY PIP_NO_BINARY
unexport PYTHONPATH PYTHONHOME VIRTUAL_ENV

.PHONY: demo test lint types looks simulate audit bench lock hooks clean help
.DEFAULT_GOAL := help

demo: $(VENV)/installed
	@$(RUN) -m outcomes demo || [ $$? -eq 2 ]  # 2: done, read the banner

test: lint types
	$(RUN) -m pytest -q

lint: $(VENV)/installed-dev
	$(RUN) -m ruff check .

types: $(VENV)/installed-dev
	$(RUN) -m mypy

looks: $(VENV)/installed-dev
	$(RUN) tests/looks/render.py

simulate: $(VENV)/installed-dev
	$(RUN) -m pytest -q -m simulation

bench: $(VENV)/installed-dev
	@for script in tests/benchmarks/*.py; do echo "== $$script"; $(RUN) "$$script" || exit 1; done

audit: $(VENV)/installed
	PYTHON="$(PYTHON)" .ci/audit

lock:
	PYTHON="$(PYTHON)" .ci/lock

hooks: $(VENV)/installed-dev
	$(RUN) -m pre_commit install

clean:
	rm -rf $(VENV) runs build *.egg-info .mypy_cache .ruff_cache .pytest_cache .hypothesis

help:
	@echo 'make demo      run the main job on the bundled invented cohort'
	@echo 'make test      ruff, mypy --strict, pytest'
	@echo 'make looks     render the report in a headless browser, when there is one'
	@echo 'make simulate  the long simulation studies'
	@echo 'make bench     speed, side by side with what you would otherwise run'
	@echo 'make audit     known vulnerabilities, dangerous code, licences, bill of materials'
	@echo 'make lock      rewrite the lock files (UPGRADE=1 for the newest versions)'
	@echo 'make hooks     run the checks before every commit'
	@echo 'make clean     remove .venv, runs and caches'

# The stamps: a second run installs nothing unless a lock or pyproject.toml changed. The package is
# installed in editable form, so that a change in the code needs no new installation.
$(VENV)/bin/python:
	@if [ -z "$(PYTHON)" ]; then echo 'Python 3.11 or newer was not found; install it, or run: PYTHON=/path/to/python make demo' >&2; exit 1; fi
	@"$(PYTHON)" -c 'import sys; sys.exit(sys.version_info < (3, 11))' || { echo '$(PYTHON) is not Python 3.11 or newer; run: PYTHON=/path/to/python make demo' >&2; exit 1; }
	"$(PYTHON)" -m venv $(VENV)

$(VENV)/installed: requirements-build.lock requirements.lock pyproject.toml | $(VENV)/bin/python
	$(PIP) --require-hashes -r requirements-build.lock
	$(PIP) --require-hashes --no-build-isolation -r requirements.lock
	$(PIP) --no-deps --no-build-isolation --editable .
	@rm -rf build *.egg-info
	@touch $@

$(VENV)/installed-dev: requirements-dev.lock $(VENV)/installed
	$(PIP) --require-hashes --no-build-isolation -r requirements-dev.lock
	@touch $@
