"""The formats of a report: one content, written in as many of them as are wanted.

Every writer renders the same blocks. It is loaded when its format is wanted, and not before.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from forecast.blocks import Report
from forecast.errors import Problem, ReportError
from forecast.written import write_whole

# What loads notebooks or a compiler would cost those a second who want no report.

__all__ = ["FORMATS", "make_reports", "missing", "named", "write_report"]

# Each format with how its files end.
FORMATS: dict[str, str] = {"html": ".html", "pdf": ".pdf", "word": ".docx", "xlsx": ".xlsx"}
# What a format needs besides: what is imported, and the package that brings it.
_NEEDS: dict[str, dict[str, str]] = {
    "pdf": {"typst": "typst", "font_source_sans_pro": "font-source-sans-pro"},
    "word": {"docx": "python-docx"},
    "xlsx": {"openpyxl": "openpyxl"},
}


def missing(formats: Sequence[str]) -> list[Problem]:
    """A problem for each package that a format needs and this environment lacks.

    Ask before anything is simulated: nobody should wait for a report that cannot be written.
    """
    return [
        Problem(
            "--formats",
            "",
            name,
            f"the package {package} in the environment of the program",
            f"Run `python -m pip install {package}` there, or choose other formats.",
        )
        for name in formats
        for module, package in _NEEDS.get(name, {}).items()
        if find_spec(module) is None
    ]


def named(folder: Path, name: str, formats: Sequence[str]) -> dict[str, Path]:
    """Where a report goes in a folder, in each of some formats.

    >>> named(Path("reports"), "week_report_2026-05-31", ["pdf"])["pdf"].name
    'week_report_2026-05-31.pdf'
    """
    return {each: folder / f"{name}{FORMATS[each]}" for each in formats}


def write_report(report: Report, outs: Mapping[str, Path]) -> dict[str, Path]:
    """Write a report in some formats: all of them, or after a failure none.

    Args:
        report: its content.
        outs: a file for each format that is wanted.

    Returns:
        ``outs``.

    Raises:
        ReportError: a file cannot be written, or a writer refuses the content.
    """
    write_whole({out: _writer(each)(report) for each, out in outs.items()})
    return dict(outs)


def make_reports(
    notebook: Path, parameters: Mapping[str, Any], outs: Mapping[str, Path]
) -> dict[str, Path]:
    """Run a notebook with parameters once, and write its content in some formats.

    Raises:
        InputError: a parameter has no such name, or the notebook refused what it was given.
        ReportError: the notebook failed, or a file cannot be written.
    """
    from forecast.report import collect_report, run_notebook  # noqa: PLC0415  # see above

    return write_report(collect_report(run_notebook(notebook, parameters)), outs)


def _writer(name: str) -> Callable[[Report], bytes]:
    """The writer of a format.

    Raises:
        ReportError: there is no such format, or its package is missing.
    """
    if name not in FORMATS:
        raise ReportError(f"no such format: {name!r}; known are {', '.join(FORMATS)}")
    if lacking := missing([name]):
        raise ReportError(str(lacking[0]))
    if name == "html":
        from forecast.report import page  # noqa: PLC0415  # see above

        return lambda report: page(report).encode()
    if name == "pdf":
        from forecast.pdf import pdf  # noqa: PLC0415  # see above

        return pdf
    if name == "word":
        from forecast.word import word  # noqa: PLC0415  # see above

        return word
    from forecast.annex import annex  # noqa: PLC0415  # see above

    return annex
