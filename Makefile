# The recipes that a person runs and that CI runs. Everything lives in $(VENV); a second run reuses it.
PYTHON ?= python3
VENV ?= .venv
BIN := $(VENV)/bin
OUT ?= demo-output

.PHONY: demo test lint bench truth fuzz soak rehearse audit lock clean

demo: $(VENV)/run-ready
	$(BIN)/netaudit demo --out $(OUT)

# A process a core; what a module's tests share is made once, and the longest modules are not the last.
test: $(VENV)/test-ready
	@scripts/system-packages
	$(BIN)/python -m pytest --numprocesses auto --dist loadfile --no-loadscope-reorder

lint: $(VENV)/test-ready
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy

bench: $(VENV)/test-ready
	@for script in benchmarks/*.py; do echo "== $$script"; $(BIN)/python -m benchmarks.$$(basename $$script .py) || exit 1; done

truth: $(VENV)/test-ready
	$(BIN)/python tests/truth/table.py

fuzz: $(VENV)/test-ready
	$(BIN)/python tests/wire/fuzz/fuzz.py 600

soak: $(VENV)/test-ready
	$(BIN)/python -m tests.soak.soak

# The service and the container on a Debian of their own: as root, with debootstrap, podman and crun. REHEARSAL keeps that Debian.
REHEARSAL ?= build/rehearsal
rehearse: | $(VENV)/bin/python
	PYTHON=$(abspath $(BIN)/python) deploy/rehearsal/run unit $(REHEARSAL)
	PYTHON=$(abspath $(BIN)/python) deploy/rehearsal/run container $(REHEARSAL)

# Before a release, online: a second reader of our code, then a database of known flaws about each package of both locks.
# Without that database it fails; it never passes over a package.
audit: | $(VENV)/bin/python
	$(PYTHON) -m venv build/audit
	build/audit/bin/python -m pip install --quiet --disable-pip-version-check bandit pip-audit
	build/audit/bin/bandit --quiet --recursive --configfile pyproject.toml netaudit
	build/audit/bin/pip-audit --strict --require-hashes --disable-pip --progress-spinner off -r requirements.lock
	build/audit/bin/pip-audit --strict --require-hashes --disable-pip --progress-spinner off -r requirements-test.lock

# Two installs are the same: both locks are made from pyproject.toml by this recipe and by nothing else.
lock: | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet pip-tools
	$(BIN)/pip-compile --quiet --upgrade --generate-hashes --allow-unsafe --strip-extras --no-header --no-annotate \
	  --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --extra build --extra fleet --output-file requirements.lock pyproject.toml
	$(BIN)/pip-compile --quiet --generate-hashes --allow-unsafe --strip-extras --no-header --no-annotate \
	  --no-emit-index-url --no-emit-trusted-host --no-emit-find-links --constraint requirements.lock --extra build --extra test --extra fleet --extra pdf \
	  --extra snmp-pure \
	  --output-file requirements-test.lock pyproject.toml

clean:
	rm -rf $(VENV) $(OUT) build dist *.egg-info .pytest_cache .mypy_cache .ruff_cache .hypothesis

$(VENV)/bin/python:
	$(PYTHON) -m venv $(VENV)

$(VENV)/run-ready: requirements.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-build-isolation --no-deps --editable .
	@touch $@

$(VENV)/test-ready: requirements-test.lock pyproject.toml | $(VENV)/bin/python
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --require-hashes -r requirements-test.lock
	$(BIN)/python -m pip install --quiet --disable-pip-version-check --no-build-isolation --no-deps --editable .
	@touch $@ $(VENV)/run-ready
