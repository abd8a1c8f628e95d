# Everything a checkout can do. Needs Python >= 3.11 and make; sets up its own virtual environment in .venv once.

SHELL := /bin/sh
.DEFAULT_GOAL := help
.PHONY: help demo test spark pictures charts dictionary bench-transfer bench-decisions fuzz kills faults hostile bench bench-large bench-direct bench-spark bench-film bench-hidden mutants check dagster lock browser clean

VENV := .venv
BIN := $(VENV)/bin
READY := $(VENV)/.ready
TOOLS := $(VENV)/.tools
PIP := $(BIN)/python -m pip install --quiet --disable-pip-version-check
WORKSPACE ?= demo_shop

# The first interpreter that is new enough; a name that exists but does not start (a version manager's) is passed over.
FIND_PYTHON = for name in python3 python3.13 python3.12 python3.11 python3.14 python; do \
	if $$name -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then echo $$name; break; fi; done

help:
	@echo "make demo      build the invented shops, run the pipeline on them, say where the pages are"
	@echo "make test      all tests"
	@echo "make spark     pyspark, for engine = spark (needs Java 17 or newer)"
	@echo "make bench-spark   whether a cluster of two workers gives the tables of this machine (needs Java)"
	@echo "make fuzz      random bytes into tables, layouts and settings, ten minutes each"
	@echo "make faults    whole runs under unlistable folders, turned bits, little memory, small disks; make hostile: files nobody means"
	@echo "make kills     stops 200 runs at random moments and looks at what readers see"
	@echo "make check     lint and types"
	@echo "make bench     time and memory of a run at 0.1, 1 and 10 million pours, beside a bare read and plain pandas; bench-large: at 100"
	@echo "make bench-direct   how often the direct intervals hold the truth, over 100 invented businesses"
	@echo "make bench-film    how often films on panels lie where film_build says, over whole invented workspaces"
	@echo "make mutants   one slip of the pen at a time in the ledger's SQL and Python: which of them no test sees"
	@echo "make bench-hidden   ten whole invented workspaces against the same reckoned in plain loops"
	@echo "make bench-transfer, make bench-decisions   the long simulations behind the model and the decisions"
	@echo "make pictures  the README's pictures, of the demo's pages"
	@echo "make charts    the pages' drawing library, of the version of the plotly package"
	@echo "make dictionary   schemas/dictionary.md, the data dictionary, from the schemas"
	@echo "make dagster   the graph of tables in a browser (WORKSPACE=folder, default demo_shop)"
	@echo "make lock      pin the libraries in requirements.lock and tests/requirements.lock (UPGRADE=--upgrade: the newest)"

$(READY): requirements.lock pyproject.toml
	@python=$$($(FIND_PYTHON)); \
	if [ -z "$$python" ]; then \
		echo "No Python 3.11 or newer found (tried python3, python3.13, python3.12, python3.11, python3.14). Install one and call make again." >&2; exit 1; fi; \
	if ! $(BIN)/python -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1; then \
		echo "Setting up $(VENV) with $$($$python --version) ..."; \
		rm -rf $(VENV); \
		$$python -m venv $(VENV) || { rm -rf $(VENV); \
			echo "Python could not make a virtual environment; on Debian and Ubuntu: apt install python3-venv" >&2; exit 1; }; \
	fi
	@echo "Installing the libraries pinned in requirements.lock ..."
	@$(PIP) --require-hashes --no-deps -r requirements.lock
	@$(PIP) --no-deps -e .
	@touch $(READY)

# The locks are whole: nothing is resolved anew (pip does not find a pin without its extra, such as gql[requests], in hash mode).
# What only tests, lint and Dagster's pages need: `make demo` does without.
$(TOOLS): $(READY) tests/requirements.lock
	@echo "Installing the libraries pinned in tests/requirements.lock ..."
	@$(PIP) --require-hashes --no-deps -r tests/requirements.lock
	@touch $(TOOLS)

# Exit code 3 means: ran, and refused some rows. The invented exports hold damaged rows on purpose.
demo: $(READY)
	@$(BIN)/filmledger demo demo_shop || [ $$? -eq 3 ]

test: $(TOOLS) browser
	$(BIN)/python -m pytest -n auto --dist loadfile --no-loadscope-reorder

# Chromium and axe-core for the tests that open the pages, LibreOffice for the one that opens a workbook. They say so where
# one is missing.
browser: $(TOOLS)
	@if ! command -v chromium >/dev/null 2>&1 && ! command -v chromium-browser >/dev/null 2>&1 && ! command -v google-chrome >/dev/null 2>&1; then \
		if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
			echo "Installing Chromium for the page tests ..."; \
			(apt-get -qq update && apt-get -qq install -y --no-install-recommends chromium) >/dev/null 2>&1 \
				|| echo "Chromium could not be installed: tests that open pages in it will be skipped and say so." >&2; \
		else \
			echo "No Chromium here: tests that open pages in it will be skipped and say so. Install the package chromium to run them." >&2; \
		fi; fi
	@if ! command -v soffice >/dev/null 2>&1 && ! command -v libreoffice >/dev/null 2>&1; then \
		if [ "$$(id -u)" = 0 ] && command -v apt-get >/dev/null 2>&1; then \
			echo "Installing LibreOffice Calc (about 90 MB) for the test that opens a workbook ..."; \
			(apt-get -qq update && apt-get -qq install -y --no-install-recommends libreoffice-calc-nogui) >/dev/null 2>&1 \
				|| echo "LibreOffice could not be installed: the test that opens a workbook in it will be skipped and say so." >&2; \
		else \
			echo "No LibreOffice here: the test that opens a workbook in it will be skipped and say so. Install the package libreoffice-calc-nogui to run it." >&2; \
		fi; fi
	@if [ ! -d tests/browser/node_modules/axe-core ] || [ ! -d tests/browser/node_modules/html-validate ]; then \
		if command -v npm >/dev/null 2>&1; then \
			npm --prefix tests/browser install --no-audit --no-fund --no-package-lock --silent \
				|| echo "npm could not install them: tests that need axe-core or html-validate will be skipped and say so." >&2; \
		else \
			echo "No npm here: tests that need axe-core or html-validate will be skipped and say so." >&2; \
		fi; fi

# Apart from the lock: half a gigabyte that only a cluster needs.
spark: $(TOOLS)
	@$(BIN)/python -c 'import pyspark' 2>/dev/null || $(PIP) -e ".[spark]"

check: $(TOOLS)
	$(BIN)/ruff check .
	$(BIN)/ruff format --check .
	$(BIN)/mypy pipelines schemas reports seed_data

# atheris steers the bytes by coverage; where it does not install, random changes of the seed corpus do.
fuzz: $(TOOLS)
	@$(BIN)/python -c 'import atheris' 2>/dev/null || $(PIP) atheris || true
	for of in tables layouts settings; do nice -n 10 $(BIN)/python tests/fuzz/fuzz_readers.py --of $$of --seconds 600 || exit 1; done

# Each hostile file by itself: memory and time, into tests/bench/results_hostile.md.
hostile: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/hostile.py --write tests/bench/results_hostile.md

# Faults of disks, folders, memory and bits over whole runs; Linux, with the right to mount.
faults: $(TOOLS)
	FILMLEDGER_FLIPS=600 nice -n 10 $(BIN)/python -m pytest -q tests/faults/test_kept_things.py -k flipped
	nice -n 10 $(BIN)/python tests/bench/faults.py

kills: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/kills.py --kills 200

# The largest needs some 12 GB of memory (plain pandas; a run 4) and 25 GB of disk.
bench: $(TOOLS)
	$(BIN)/python tests/bench/whole_run.py

# Was never run: ten times what 10 million pours take is 240 GB of disk, and 120 GB of memory for plain pandas.
bench-large: $(TOOLS)
	$(BIN)/python tests/bench/whole_run.py --pours 100000000

bench-spark: spark
	nice -n 10 $(BIN)/python -m pytest tests/bench/spark_parity.py --durations=10

bench-direct: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/direct_intervals.py

bench-film: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/film_build_cover.py

mutants: $(TOOLS)
	nice -n 10 $(BIN)/python tests/mutants/try_mutants.py --write tests/bench/results_mutants.md

bench-hidden: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/hidden.py

bench-transfer: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/transfer_model.py

bench-decisions: $(TOOLS)
	nice -n 10 $(BIN)/python tests/bench/drawn_decisions.py

# plotly.js with bars and lines alone, of the version that the plotly package makes figures for.
charts: $(TOOLS)
	@version=$$($(BIN)/python -c 'import pathlib, plotly, re; print(re.search(r"plotly.js v([0-9.]+)", (pathlib.Path(plotly.__file__).parent / "package_data/plotly.min.js").read_text("utf-8")[:300])[1])') \
		&& folder=$$(mktemp -d) && npm pack --silent --pack-destination "$$folder" "plotly.js-basic-dist-min@$$version" >/dev/null \
		&& tar -xzf "$$folder"/*.tgz -C "$$folder" && cp "$$folder"/package/plotly-basic.min.js reports/site/static/ \
		&& rm -r "$$folder" && echo "reports/site/static/plotly-basic.min.js is version $$version"

pictures: demo browser
	$(BIN)/python tests/browser/pictures.py demo_shop/out/site reports/pictures

dictionary: $(READY)
	$(BIN)/python -m schemas.dictionary > schemas/dictionary.new && mv schemas/dictionary.new schemas/dictionary.md

# Dagster's own pages over the same graph that `filmledger run` runs. Sensor and schedule are off until switched on there.
dagster: $(TOOLS)
	@home=$$($(BIN)/python -c 'import sys; from pipelines import workspace; print(workspace.prepare_dagster(workspace.find(sys.argv[1])))' "$(WORKSPACE)") \
		&& FILMLEDGER_WORKSPACE="$$(cd "$(WORKSPACE)" && pwd)" DAGSTER_HOME="$$home" PATH="$$(pwd)/$(BIN):$$PATH" \
		$(BIN)/dagster dev -m pipelines.definitions

# --universal: one file for every system and Python; no addresses in it, so that any registry or mirror serves. What is pinned
# stays as it is but for what pyproject.toml asks; UPGRADE=--upgrade takes the newest.
COMPILE = $(BIN)/uv pip compile pyproject.toml --quiet --universal $(UPGRADE) --generate-hashes --no-emit-index-url --no-annotate --no-header
lock: $(TOOLS)
	$(PIP) uv
	$(COMPILE) -o requirements.lock
	$(COMPILE) --extra web --extra test -c requirements.lock -o tests/requirements.lock

clean:
	rm -rf $(VENV) build *.egg-info .pytest_cache .ruff_cache .mypy_cache .hypothesis tests/browser/node_modules
