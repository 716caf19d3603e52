# Everything sets itself up: the first call makes .venv from the locked dependencies (about a minute), and again
# when the lock or pyproject.toml has changed. Needs Python 3.11 or later with venv, and make.

PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
PHOTOS ?=
# the type checker runs once for each Python the tool is for, two runs side by side: alone they take minutes
TYPES := types-3.11 types-3.12 types-3.13 types-3.14

.DEFAULT_GOAL := help
.PHONY: help demo test check coverage bench check-statistics check-verdicts check-wheels lock clean $(TYPES)

help: ## list the targets
	@sed -n 's/^\([a-z-]*\):.*## \(.*\)/make \1|\2/p' $(MAKEFILE_LIST) | awk -F'|' '{printf "%-24s %s\n", $$1, $$2}'

$(READY): requirements.lock pyproject.toml
	@echo "Setting up $(VENV) from requirements.lock ..."
	@$(PYTHON) -c 'import sys; sys.exit("Python 3.11 or later is needed, this is %d.%d" % sys.version_info[:2] if sys.version_info < (3, 11) else 0)'
	@$(PYTHON) -m venv $(VENV)
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --require-hashes -r requirements.lock
	@$(BIN)/python -m pip install -q --disable-pip-version-check --no-deps --no-build-isolation -e .
	@touch $@

demo: $(READY) ## measure and judge the sample photos
	@$(BIN)/traygauge demo

# photos' arrays are megabytes each: glibc keeps what is freed rather than asking the kernel for zeroed pages anew
KEEP_FREED = MALLOC_MMAP_THRESHOLD_=4294967296 MALLOC_TRIM_THRESHOLD_=8589934592

test: $(READY) ## run every test
	$(KEEP_FREED) $(BIN)/python -m pytest -n 2 --dist loadfile

check: $(READY) ## linter, formatter, types for each Python, import contract
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(MAKE) --no-print-directory -j 2 $(TYPES)
	$(BIN)/lint-imports

$(TYPES): types-%: $(READY)
	$(BIN)/mypy --python-version $*

coverage: $(READY) ## run every test and show which lines and branches none of them reaches
	$(BIN)/python -m pytest --cov --cov-report=term-missing:skip-covered

bench: $(READY) ## speed, memory and errors; PHOTOS=folder adds a folder of photos with their truth
	OPENBLAS_NUM_THREADS=1 $(BIN)/python bench/run.py $(PHOTOS)

check-statistics: $(READY) ## simulate batches and compare how often the verdict is right with what it promises
	$(BIN)/python bench/statistics_check.py

check-verdicts: $(READY) ## draw 200 difficult trays, inspect them, and count how often intervals and verdicts hold (2 hours)
	$(BIN)/python bench/drawn_verdicts.py 200

check-wheels: $(READY) ## prove that each locked dependency has a wheel for every Python and system (network)
	$(BIN)/python tools/prove_wheels.py

lock: ## write requirements.lock anew (network; needs the program uv)
	uv pip compile --universal --generate-hashes --fork-strategy fewest --upgrade --quiet --no-emit-index-url --no-strip-extras \
		--no-annotate --python-version 3.11 --custom-compile-command 'make lock' \
		--group dev --group build pyproject.toml --output-file requirements.lock

clean: ## remove the set-up and what tools left behind
	rm -rf $(VENV) .mypy_cache .ruff_cache .pytest_cache .hypothesis .import_linter_cache .coverage dist build
