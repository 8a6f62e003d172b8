# make demo: the whole job on the invented county.   make test: every check but the long ones.
# Both set up a virtual environment in $(VENV) first; neither needs root.

VENV ?= .venv
# the first Python of 3.11 or newer that starts; name another with  make demo PYTHON=...
PYTHON ?= $(shell for p in python3.14 python3.13 python3.12 python3.11 python3 python; do \
	$$p -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1 && echo $$p && break; \
	done)
RUN = $(VENV)/bin/
ESLINT = .ci/eslint
TESTS = tests
KINDS ?= not long and not wheel
# compiled modules are kept, so that the next process need not compile them again
unexport PYTHONDONTWRITEBYTECODE

.PHONY: demo renew test test-long test-package test-plain lint format pins sample clean

demo: $(VENV)/ready
	$(RUN)rillmark demo --out demo

test: $(VENV)/ready
	$(RUN)python -m pytest -n 4 --dist loadfile --no-loadscope-reorder -m "$(KINDS)" $(TESTS)

# the wheel in an empty environment, and the notebooks
test-package: $(VENV)/ready
	$(RUN)python -m pytest -n 2 --nbmake -m "not long" tests/test_wheel.py notebooks

test-long: $(VENV)/ready
	$(RUN)python -m pytest -m long tests
	$(RUN)python -m pytest --hypothesis-profile search -m "hypothesis and not long" tests

# the same kernels as plain Python, for coverage, and with every index checked
test-plain: $(VENV)/ready
	NUMBA_DISABLE_JIT=1 $(RUN)python -m pytest -m "not long and not browser and not wheel" tests/geo/kernels

lint: $(VENV)/ready
	$(RUN)ruff check .
	$(RUN)ruff format --check .
	$(RUN)mypy
	$(RUN)lint-imports
	@command -v npm >/dev/null || { echo "the pages' scripts are checked by eslint: install nodejs and npm"; exit 1; }
	test -d $(ESLINT)/node_modules || npm ci --prefix $(ESLINT) --no-audit --no-fund --silent
	$(ESLINT)/node_modules/.bin/eslint -c $(ESLINT)/eslint.config.mjs geo/publish

format: $(VENV)/ready
	$(RUN)ruff check --fix .
	$(RUN)ruff format .

# Everything pinned with hashes for all Pythons, without index addresses (needs 'uv' on the path).
pins:
	uv pip compile --universal --python-version 3.11 --generate-hashes --no-emit-index-url \
		--no-header --no-annotate --extra test pyproject.toml --output-file requirements.new
	{ echo "# Everything Rillmark runs, tests and builds with, pinned with hashes for Python 3.11 and newer."; \
	  echo "# Made by 'make pins'; install with: pip install --no-deps --require-hashes -r requirements.txt"; \
	  cat requirements.new; } > requirements.txt
	rm requirements.new

# What the tests hold against: the dictionary of columns, the digest of the sample assessment.
renew: $(VENV)/ready
	$(RUN)python -m layers.outputs.dictionary
	PYTHONPATH=tests $(RUN)python -m support.digest

# The invented county, made again from its script.
sample: $(VENV)/ready
	$(RUN)python sample_layers/make_larkmoor.py

$(VENV)/ready: requirements.txt pyproject.toml
	@test -n "$(PYTHON)" || { echo "Python 3.11 or newer is needed and none was found: install it, or say  make demo PYTHON=/path/to/python"; exit 1; }
	$(PYTHON) -m venv $(VENV)
	$(RUN)python -m pip install --quiet --no-deps --require-hashes -r requirements.txt
	$(RUN)python -m pip install --quiet --no-deps --no-build-isolation --editable .
	@touch $@

clean:
	rm -rf .venv* build dist *.egg-info demo $(ESLINT)/node_modules
