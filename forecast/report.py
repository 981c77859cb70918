"""Notebooks -> reports: run one with parameters, take its content, write one page.

The only module that knows papermill. A report is written completely or not at all, and never from
a notebook that failed.
"""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Mapping
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import papermill
from ipykernel.kernelspec import get_kernel_dict
from jinja2 import Environment, PackageLoader, StrictUndefined
from jupyter_client.kernelspec import KernelSpec
from jupyter_client.manager import AsyncKernelManager
from nbformat import NotebookNode

from forecast import __version__
from forecast.blocks import CLOSING, MIME_TYPE, Heading, Report
from forecast.errors import InputError, Problem, ReportError
from forecast.written import write_whole

__all__ = [
    "collect_report",
    "make_report",
    "notebook_path",
    "page",
    "run_notebook",
    "write_page",
]

_PACKAGE = Path(__file__).resolve().parent


def notebook_path(name: str) -> Path:
    """The notebook of a report, e.g. ``schedule_forecast``.

    Raises:
        ReportError: there is no such notebook.
    """
    path = _PACKAGE.parent / "notebooks" / f"{name}.ipynb"
    if not path.is_file():
        raise ReportError(f"the notebook {name}.ipynb is missing; run this from a full checkout")
    return path


# --- parameters --------------------------------------------------------------------------------


def _plain_value(name: str, value: Any) -> str | int | float | bool:
    """A parameter as a notebook can take it: dates as ISO text, paths as text, plain numbers."""
    if isinstance(value, (str, bool, int, float)):
        return value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "item"):
        plain: str | int | float | bool = value.item()
        return plain
    raise InputError(
        [Problem("parameters", name, str(value), "a text, a number, a date or a path", "Give one.")]
    )


def _plain_parameters(notebook: Path, parameters: Mapping[str, Any]) -> dict[str, Any]:
    """The parameters, after a look whether the notebook knows every one of them.

    Papermill itself only logs a misspelt name and goes on with the default.
    """
    known = list(papermill.inspect_notebook(str(notebook)))
    if not known:
        raise ReportError(f"{notebook.name} has no cell tagged `parameters`")
    problems = [
        Problem(
            notebook.name,
            "parameters",
            name,
            f"one of {', '.join(known)}",
            f"Write {get_close_matches(name, known, n=1, cutoff=0.0)[0]}.",
        )
        for name in parameters
        if name not in known
    ]
    if problems:
        raise InputError(problems)
    return {name: _plain_value(name, value) for name, value in parameters.items()}


# --- running -----------------------------------------------------------------------------------


def _kernel_of_this_interpreter(settings: Path) -> type[AsyncKernelManager]:
    """A kernel that is this very Python, whatever kernels a machine has or lacks.

    Args:
        settings: an empty folder: nobody's own start-up files may change a report.
    """
    paths = [str(_PACKAGE.parent), os.environ.get("PYTHONPATH", "")]
    spec = KernelSpec(
        **get_kernel_dict(["--HistoryManager.enabled=False", "--IPKernelApp.log_level=40"])
    )
    spec.argv = [sys.executable, *spec.argv[1:]]
    spec.env = {
        "IPYTHONDIR": str(settings),
        "PYTHONPATH": os.pathsep.join(path for path in paths if path),
    }

    class ThisInterpreter(AsyncKernelManager):
        @property
        def kernel_spec(self) -> KernelSpec:
            return spec

    return ThisInterpreter


def run_notebook(notebook: Path, parameters: Mapping[str, Any]) -> NotebookNode:
    """Run a notebook with parameters, in memory.

    Raises:
        InputError: a parameter has no such name, or the notebook refused what it was given.
        ReportError: a cell failed for another reason.
    """
    plain = _plain_parameters(notebook, parameters)
    with tempfile.TemporaryDirectory(prefix="forecast-") as settings:
        try:
            ran: NotebookNode = papermill.execute_notebook(
                str(notebook),
                None,
                plain,
                kernel_name="python3",
                progress_bar=False,
                stderr_file=sys.stderr,  # how far a cell is
                cwd=str(notebook.parent),
                kernel_manager_class=_kernel_of_this_interpreter(Path(settings)),
            )
        except papermill.PapermillExecutionError as error:
            raise _told(notebook, error.ename, error.evalue) from None
        except RuntimeError as error:  # its Python died, or could not begin
            raise ReportError(f"{notebook.name} stopped before its end: {error}") from None
    return ran


_SAID = re.compile(
    r"(?P<file>[^,:]+)(, (?P<place>.*?))?:( read '(?P<read>.*)';)? expected (?P<expected>.*)"
)


def _told(notebook: Path, name: str, words: str) -> Exception:
    """What went wrong in a cell, in the cell's own plain words and without its traceback."""
    if name != InputError.__name__:
        return ReportError(f"{notebook.name} failed: {words or name}")
    problems = []
    for line in words.splitlines():
        found = _SAID.fullmatch(line)
        if found is None:
            problems.append(Problem(notebook.name, "", "", line, ""))
            continue
        said = {key: value or "" for key, value in found.groupdict().items()}
        said["expected"], _, remedy = said["expected"].partition(". ")
        problems.append(Problem(**said, remedy=remedy))
    return InputError(problems)


def collect_report(ran: NotebookNode) -> Report:
    """The content blocks of a notebook that was run, in the order of its cells.

    Raises:
        ReportError: the notebook failed, or holds no content.
    """
    if ran.metadata.get("papermill", {}).get("exception"):
        raise ReportError("the notebook failed, so no report is made from it")
    blocks: list[Mapping[str, Any]] = []
    for cell in ran.cells:
        for output in cell.get("outputs", []):
            if output.output_type == "error":
                raise ReportError("the notebook failed, so no report is made from it")
            blocks += output.get("data", {}).get(MIME_TYPE, [])
    if not blocks:
        raise ReportError("the notebook shows no content that a report could hold")
    return Report.from_json(blocks)


# --- the page ----------------------------------------------------------------------------------


def page(report: Report) -> str:
    """A report as one HTML page that needs nothing from outside."""
    environment = Environment(
        loader=PackageLoader("forecast"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    parts = list(report)
    opening = next(
        (n for n, b in enumerate(parts) if isinstance(b, Heading) and b.level > 1), len(parts)
    )
    return environment.get_template("page.html").render(
        title=report.title or "Report",
        opening=Report(parts[:opening]).html(),
        rest=Report(parts[opening:]).html(),
        contents=[b for b in report.of(Heading) if b.level == 2],
        closing=CLOSING,
        version=__version__,
    )


def write_page(report: Report, out: Path) -> Path:
    """Write the page of a report; a reader never meets half of one.

    Raises:
        ReportError: the file cannot be written.
    """
    write_whole({out: page(report).encode()})
    return out


def make_report(notebook: Path, parameters: Mapping[str, Any], out: Path) -> Path:
    """Run a notebook with parameters and write its page.

    Args:
        notebook: one with a cell tagged ``parameters`` and cells that show content blocks.
        parameters: names that the notebook knows. Relative paths are relative to its folder.
        out: the HTML file.

    Returns:
        ``out``.

    Raises:
        InputError: a parameter has no such name, or the notebook refused what it was given.
        ReportError: the notebook failed, or the page cannot be written.
    """
    return write_page(collect_report(run_notebook(notebook, parameters)), out)
