# On a machine with Python 3.11 or newer and nothing else:
#   make demo    the whole job on the small shoot that ships with nearpair
#   make test    every check and test
#   make audit   known faults of the libraries that are installed
# All first set up .venv, which takes a few minutes once and a blink afterwards.
# PYTHON=... chooses the Python that .venv is made with.

VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
WARM := $(VENV)/warm
CANDIDATES := python3 python3.13 python3.12 python3.11 python3.14 python

.PHONY: demo test audit clean

demo: $(READY)
	$(BIN)/nearpair demo --to demo-shoot

test: $(READY)
	$(BIN)/ruff check
	$(BIN)/ruff format --check
	@# the loops are compiled once, beside the type checker, and not by every worker of the tests
	@rm -rf $(WARM); $(BIN)/nearpair demo --to $(WARM) >/dev/null 2>&1 & \
	echo "$(BIN)/mypy"; $(BIN)/mypy; checked=$$?; wait; rm -rf $(WARM); exit $$checked
	$(BIN)/lint-imports
	$(BIN)/pytest -n 3 --dist loadfile --no-loadscope-reorder

audit: $(READY)
	$(BIN)/python .ci/audit.py

$(READY): pyproject.toml Makefile
	@python=; \
	for name in $(or $(PYTHON),$(CANDIDATES)); do \
	  if $$name -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then python=$$name; break; fi; \
	done; \
	if [ -z "$$python" ]; then \
	  echo "nearpair needs Python 3.11 or newer, and none was found under: $(or $(PYTHON),$(CANDIDATES))."; \
	  echo "Install one, or name it: make demo PYTHON=/path/to/python3"; \
	  exit 1; \
	fi; \
	echo "Setting up $(VENV) with $$($$python --version); this takes a few minutes the first time."; \
	if ! $$python -m venv --clear $(VENV); then \
	  echo "This Python cannot make virtual environments. Install what it lacks"; \
	  echo "(on Debian and Ubuntu: apt install python3-venv) and run make again."; \
	  exit 1; \
	fi
	@$(BIN)/python -m pip install --quiet --upgrade "pip>=25.1"
	@$(BIN)/python -m pip install --quiet --editable . --group dev
	@touch $@

clean:
	rm -rf $(VENV) demo-shoot
