# Everything a person needs from a checkout. Each target sets up what it lacks.
VENV := .venv
RUN := $(VENV)/bin
READY := $(VENV)/.ready

.PHONY: demo test check bench clean

demo: $(READY)
	$(RUN)/ridebook demo --out demo_out

test: check
	$(RUN)/pytest

check: $(READY)
	$(RUN)/ruff check .
	$(RUN)/ruff format --check .
	$(RUN)/mypy
	$(RUN)/lint-imports

bench: $(READY)
	$(RUN)/python -m tests.bench

$(READY): pyproject.toml constraints.txt tools/bootstrap.sh tools/qt_libraries.py
	bash tools/bootstrap.sh
	touch $@

clean:
	rm -rf $(VENV) demo_out bench_out build dist .pytest_cache .mypy_cache .ruff_cache .hypothesis .import_linter_cache
