# On bare Debian 12: apt-get install git make python3 python3-venv, then `make demo`.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
FOLDERS := app scan optimize export meshes
OUT ?= shimwright-demo
SYSTEM := libegl1 libgl1 libx11-6 libusb-1.0-0
SONAMES := libEGL.so.1 libGL.so.1 libX11.so.6 libusb-1.0.so.0
PYTEST := $(BIN)/python -m pytest

.PHONY: demo test lint format accuracy bench soak lock clean install FORCE

demo: install            ## the whole job on the invented yard
	$(BIN)/shimwright demo --out $(OUT)

test: install            ## every quick test
	$(PYTEST) -q -n 2 --dist loadfile --no-loadscope-reorder

lint: install            ## format, style, types, arrows between folders
	$(BIN)/ruff format --check .
	$(BIN)/ruff check .
	$(BIN)/mypy
	$(BIN)/lint-imports --no-cache

format: install
	$(BIN)/ruff format .
	$(BIN)/ruff check --fix .

accuracy: install        ## slow evidence: tables of errors
	$(PYTEST) -q -s -m accuracy

soak: install            ## long random runs
	$(PYTEST) -q -m soak

bench: install           ## speed and size, each beside a peer
	$(BIN)/python tests/bench

install: $(VENV)/installed

# A strict editable install follows the folder names for every tool, but does not see new files: renew it when the list changes.
$(VENV)/installed: $(VENV)/packages $(VENV)/tree pyproject.toml
	@$(BIN)/pip install --quiet --disable-pip-version-check --no-deps --no-build-isolation -e . --config-settings editable_mode=strict
	@touch $@

$(VENV)/tree: FORCE | $(VENV)/packages
	@find $(FOLDERS) -type f -not -path '*/__pycache__/*' | sort > $@.new
	@cmp -s $@.new $@ && rm $@.new || mv $@.new $@

$(VENV)/packages: requirements.lock
	@bin="$(PYTHON)"; $$bin -c 'import sys; sys.exit(sys.version_info < (3, 11))' \
	  || { echo "shimwright needs Python 3.11 or newer; found $$($$bin --version)"; exit 1; }
	@sh .ci/system-libraries $(SONAMES) -- $(SYSTEM)
	@test -x $(BIN)/pip || $(PYTHON) -m venv $(VENV) \
	  || { echo "no venv module; type: apt-get install python3-venv"; exit 1; }
	@echo "installing packages into $(VENV) (once, a minute or so)"
	@$(BIN)/pip install --quiet --disable-pip-version-check --require-hashes -r requirements.lock
	@touch $@

lock:                    ## renew requirements.lock from pyproject.toml
	rm -f uv.lock
	$(BIN)/uv lock --quiet
	$(BIN)/uv export --quiet --all-extras --no-emit-project --no-header --format requirements-txt -o requirements.lock
	rm -f uv.lock

clean:
	rm -rf $(VENV) build *.egg-info $(OUT)
