# Everything runs in .venv, made from the hash-locked requirements. Needs python3.11+ and make.
NEW_ENOUGH := import sys; sys.exit(sys.version_info < (3, 11))
PYTHON ?= $(shell for name in python3.11 python3.12 python3.13 python3; do \
  $$name -c '$(NEW_ENOUGH)' >/dev/null 2>&1 && echo $$name && break; done)
VENV := .venv
BIN := $(VENV)/bin
LOCK := requirements/dev.lock
STAMP := $(VENV)/installed-$(shell cksum < $(LOCK) | cut -d' ' -f1)

.PHONY: demo test lint bench validate serve docs lock clean

demo: $(STAMP) ## check the invented example builds and write their reports into demo/
	$(BIN)/python scripts/demo.py

test: $(STAMP) ## all tests; those of the pages need chromium and say so when it is missing
	$(BIN)/python -m pytest -n 3 --dist loadfile $(PYTEST_ARGS)

lint: $(STAMP) ## style, form, types, import floors
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy --strict src
	$(BIN)/lint-imports

bench: $(STAMP) ## speed, as ratios measured in one run
	$(BIN)/python bench/run.py

validate: $(STAMP) ## hold our numbers against published ones; writes docs/validation.md
	$(BIN)/python scripts/validate.py

serve: $(STAMP) ## the pages in the browser, for the builds in builds/; make serve ARGS=--lan
	@mkdir -p builds
	$(BIN)/keyturn serve builds $(ARGS)

docs: $(STAMP) ## write again what is generated: help text, docs/cli.md, docs/glossary.md
	$(BIN)/python scripts/write_cli_docs.py
	$(BIN)/python scripts/write_glossary.py

lock: ## resolve requirements/*.in again (needs pip-tools on the path)
	sh scripts/lock.sh

clean: ## remove what make can make again
	rm -rf $(VENV) demo build .pytest_cache .mypy_cache .ruff_cache .import_linter_cache

# The name of the stamp holds the sum of the lock: another lock is another, fresh environment.
$(STAMP):
	@test -n "$(PYTHON)" && $(PYTHON) -c '$(NEW_ENOUGH)' || \
	  { echo "keyturn needs Python 3.11 or newer; name one: make PYTHON=python3.12" >&2; exit 2; }
	rm -rf $(VENV)
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --require-hashes -r $(LOCK)
	$(BIN)/python -m pip install --quiet --no-deps --no-build-isolation -e .
	@touch $@
