"""Notebooks are thin, hold no outputs, and the worked example still shows what it showed."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import nbformat
import pytest
from ipykernel.kernelspec import write_kernel_spec

from tests.worked_example import EXAMPLE

ROOT = Path(__file__).parent.parent
TEMPLATES = sorted((ROOT / "notebooks").glob("*.ipynb"))
LONGEST = 12  # lines of a cell


def cells(path: Path, kind: str) -> list[Any]:
    read: Any = nbformat.read  # nbformat has no types
    return [cell for cell in read(path, as_version=4).cells if cell.cell_type == kind]


def test_there_is_a_notebook_for_the_schedule_forecast() -> None:
    assert "schedule_forecast" in {path.stem for path in TEMPLATES}


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_a_template_holds_no_outputs(path: Path) -> None:
    assert all(not cell.outputs and cell.execution_count is None for cell in cells(path, "code"))


@pytest.mark.parametrize("path", [*TEMPLATES, EXAMPLE], ids=lambda path: path.stem)
def test_a_notebook_defines_nothing_and_its_cells_are_short(path: Path) -> None:
    defines = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.Lambda
    for cell in cells(path, "code"):
        assert len(cell.source.splitlines()) <= LONGEST
        assert not [node for node in ast.walk(ast.parse(cell.source)) if isinstance(node, defines)]


@pytest.mark.parametrize("path", [*TEMPLATES, EXAMPLE], ids=lambda path: path.stem)
def test_the_parameters_are_typed_and_explained(path: Path) -> None:
    tagged = [c for c in cells(path, "code") if "parameters" in c.metadata.get("tags", [])]
    assert len(tagged) == 1
    lines = tagged[0].source.splitlines()
    assert all("  # " in line for line in lines)
    assert all(isinstance(node, ast.AnnAssign) for node in ast.parse(tagged[0].source).body)


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_only_public_names_are_used(path: Path) -> None:
    for cell in cells(path, "code"):
        for node in ast.walk(ast.parse(cell.source)):
            if isinstance(node, ast.Attribute):
                assert not node.attr.startswith("_")


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_every_result_stands_under_a_heading_in_plain_words(path: Path) -> None:
    headings = [cell.source for cell in cells(path, "markdown")]
    assert headings[0].startswith("# ")
    assert all(text.startswith("## ") for text in headings[1:])


def test_the_worked_example_shows_to_the_letter_what_is_stored(tmp_path: Path) -> None:
    # A kernel of this interpreter, found before any other that a machine may have.
    write_kernel_spec(str(tmp_path / "kernels" / "python3"))
    environment = os.environ | {"JUPYTER_PATH": str(tmp_path), "PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "pytest", "--nbval", "-q", "-p", "no:cacheprovider"]
    ran = subprocess.run(
        [*command, "-p", "no:xdist", "-W", "default", str(EXAMPLE)],
        cwd=ROOT,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert ran.returncode == 0, f"{ran.stdout}\n(python -m tests.worked_example makes it again)"
    assert "7 passed" in ran.stdout
