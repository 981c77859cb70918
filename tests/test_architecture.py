"""Who may import whom: data flows one way, and so do imports."""

from __future__ import annotations

import ast
import importlib
import re
import sys
import tomllib
from pathlib import Path

import pytest

from forecast import compiled, rules

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "forecast"

# The one list. A module imports only from lines above its own, or from the left of its own line;
# DEVELOPERS.md shows the same picture and says why.
ORDER = (
    ("what everything may use", "__init__ errors units progress"),
    ("three numbers", "estimates"),
    ("the trade's nouns", "stages items condition people exposure"),
    ("what a team tells", "weekly history"),
    ("who works when", "working_time"),
    ("the whole", "project"),
    ("files to a project", "cells sheets sections settings rows crosschecks folder"),
    ("a project to begin with", "starter"),
    ("a what-if", "scenario scenario_file costs"),
    ("files to a return", "workbooks return_files return_sheet"),
    ("sums of returns", "ledger return_checks"),
    ("how code is compiled", "compiled reference"),
    ("one future, drawn", "events rules drawing planning"),
    ("where it begins", "allotting ways beginning luck"),
    ("one record to totals", "tally"),
    ("the model to read", "walkthrough"),
    ("the model to run", "engine_state engine"),
    ("futures side by side", "outcome"),
    ("one item's way in words", "trace"),
    ("many futures", "choices clusters replicate paired"),
    ("a future as returns", "diary rivals"),
    ("what is believed", "evidence singles pace mix belief recalibrate"),
    ("how fast it is", "bench"),
    ("whether it is calibrated", "calibration closed_loop calibrate"),
    ("numbers for programs", "results issued"),
    ("what is on record", "database record export anonymise"),
    ("numbers for people", "words tables"),
    ("why the date moved", "shapley attribution"),
    ("plans side by side", "differences selection compare levers survey_size search"),
    ("what a report is made of", "blocks chart_parts charts schedule_forecast"),
    ("how right, and the week", "track_record recording next_week week_report return_form"),
    ("what if", "plan_charts staffing_plans plan_advice plan_draft plans_form"),
    ("pages", "written report pdf word annex formats"),
    ("the command line", "options record_commands plan_commands cli __main__"),
)
POSITION = {
    name: number
    for number, name in enumerate(name for _, names in ORDER for name in names.split())
}

OF_NOUNS = (
    "what everything may use",
    "three numbers",
    "the trade's nouns",
    "what a team tells",
    "the whole",
)
NOUNS = [name for what, names in ORDER if what in OF_NOUNS for name in names.split()]
HEAVY = {"pandas", "simpy", "altair", "sqlalchemy"}

# Whatever else changes, these stay in one place each.
ONLY_IN = {
    "altair": {"chart_parts", "charts", "plan_charts"},
    "ciw": {"bench"},
    "dask": {"clusters"},
    "distributed": {"clusters"},
    "docx": {"word"},
    "ipywidgets": {"return_form", "plans_form"},
    "llvmlite": {"compiled", "reference"},
    "numba": {"compiled", "reference"},
    "openpyxl": {"workbooks", "return_sheet", "annex"},
    "papermill": {"report"},
    "psycopg": {"database"},
    "simpy": {"walkthrough", "bench"},
    "sqlalchemy": {"database"},
    "tomlkit": {"scenario_file"},
    "typst": {"pdf"},
}

MODULES = sorted(PACKAGE.glob("*.py"))


def imported(path: Path) -> set[str]:
    """Dotted names of all that a module imports, wherever in it the import stands."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write the whole name, not a relative import"
            assert node.module is not None
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
            names.add(node.module)
    return names


def as_people_sort(name: str) -> tuple[int, str]:
    """CONSTANTS, then Classes, then functions: the order that the linter asks for as well."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2), name


def ours(path: Path) -> set[str]:
    """Modules of this package that a module imports."""
    parts = [name.split(".") for name in imported(path)]
    return {p[1] for p in parts if p[0] == "forecast" and len(p) > 1 and p[1] in POSITION}


def theirs(path: Path) -> set[str]:
    """Top-level names of other packages that a module imports."""
    return {name.split(".")[0] for name in imported(path)} - {"forecast"}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_a_module_imports_only_from_above_it(path: Path) -> None:
    assert path.stem in POSITION, f"give {path.name} a place in ORDER and in DEVELOPERS.md"
    below = {name for name in ours(path) if POSITION[name] >= POSITION[path.stem]}
    assert not below, f"{path.name} imports {sorted(below)}, which stand below it"


def test_every_place_in_the_order_is_taken() -> None:
    assert sorted(POSITION) == sorted(path.stem for path in MODULES)


def test_the_contributors_guide_shows_the_same_order() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for what, names in ORDER:
        assert any(what in line and names in line for line in guide.splitlines()), (what, names)


@pytest.mark.parametrize("name", NOUNS)
def test_the_nouns_need_no_heavy_package(name: str) -> None:
    assert not theirs(PACKAGE / f"{name}.py") & HEAVY


@pytest.mark.parametrize("package", sorted(ONLY_IN))
def test_a_package_that_is_to_stay_in_one_place_does(package: str) -> None:
    users = {path.stem for path in MODULES if package in theirs(path)}
    assert users <= ONLY_IN[package]


def test_charts_reach_no_engine() -> None:
    engines = {"luck", "rules", "walkthrough", "engine", "tally", "outcome"}
    for name in ONLY_IN["altair"]:
        assert not ours(PACKAGE / f"{name}.py") & engines


def test_whatever_compiled_code_is_made_of_is_in_the_name_of_its_cache() -> None:
    """Else an edited rule would not run. What only Python uses of a module does no harm."""
    entries = {path.stem for path in MODULES if "forecast.compiled.entry" in imported(path)}
    # Types, and what is not compiled.
    python_only = {"beginning", "luck", "planning", "outcome", "working_time"}
    used = set().union(*(ours(PACKAGE / f"{name}.py") for name in entries)) - python_only
    assert entries | used <= set(compiled.SOURCES)
    assert set(compiled.SOURCES) <= {path.stem for path in MODULES}


def test_both_models_take_every_decision_from_the_rules() -> None:
    decisions = {name for name in rules.__all__ if not name.isupper()}
    for model in ("walkthrough", "engine"):
        text = (PACKAGE / f"{model}.py").read_text(encoding="utf-8")
        assert {name for name in decisions if f"rules.{name}" in text} == decisions


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_the_first_line_of_a_module_says_what_it_holds(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    text = ast.get_docstring(tree)
    assert text, f"{path.name} has no docstring"
    assert text.splitlines()[0].endswith("."), f"{path.name}: the first line is not a sentence"
    assert path.read_text(encoding="utf-8").startswith(('"""', 'r"""')), path.name


@pytest.mark.parametrize(
    "path", [path for path in MODULES if path.stem != "__main__"], ids=lambda path: path.stem
)
def test_public_names_are_sorted_and_importable(path: Path) -> None:
    name = "forecast" if path.stem == "__init__" else f"forecast.{path.stem}"
    module = importlib.import_module(name)
    public = getattr(module, "__all__", None)
    assert public is not None, f"{path.name} has no __all__"
    assert list(public) == sorted(set(public), key=as_people_sort), f"{path.name}: sort __all__"
    absent = [each for each in public if not hasattr(module, each)]
    assert not absent, f"{path.name}: __all__ names {absent}"


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_what_a_module_defines_for_others_is_in_its_public_names(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    defined = {
        node.name
        for node in tree.body
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
    }
    if path.stem in ("__main__", "__init__"):
        return
    public = set(importlib.import_module(f"forecast.{path.stem}").__all__)
    assert not defined - public, f"{path.name}: give a leading _ or a place in __all__"


def test_the_package_is_marked_as_typed() -> None:
    assert (PACKAGE / "py.typed").exists()


def test_what_is_imported_is_declared_as_needed() -> None:
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    needs = [re.split(r"[^\w.-]", need)[0] for need in settings["project"]["dependencies"]]
    declared = {
        need.removesuffix("-python").removeprefix("python-").replace("-", "_") for need in needs
    } | {"forecast"}
    # What only an extra brings, and the one module that asks for it as it runs.
    extras = {
        "bench": {"ciw"},
        "clusters": {"dask", "distributed"},
        "database": {"psycopg"},
    }
    optional = str(settings["project"]["optional-dependencies"])
    assert all(name in optional for names in extras.values() for name in names)
    for path in MODULES:
        foreign = theirs(path) - set(sys.stdlib_module_names) - extras.get(path.stem, set())
        assert foreign <= declared, f"{path.name} imports {sorted(foreign - declared)}"
