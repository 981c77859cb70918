"""The tables behind a report as a workbook, whose first sheet is one row that stacks over projects.

First stands ``summary``: one row of values below their names, the same names in every project.
Then ``contents``, which says what is on each of the sheets that follow: every table, and the table
behind every chart. Text is text, whatever it begins with; nothing in the workbook is a formula.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from forecast import __version__
from forecast.blocks import Facts, Figure, Report, Summary, Table
from forecast.written import same_archive

__all__ = ["SUMMARY", "annex", "one_row"]

SUMMARY = "summary"
_CONTENTS = "contents"
_LIKE_A_FORMULA = ("=", "+", "-", "@")
_LONGEST = 32_767  # letters of a cell
_NUMBER = re.compile(r"[-\u2212]?(\d{1,3}(,\d{3})+|\d+)(\.\d+)?")
# What no sheet's name may hold, and what would have to be quoted in it.
_NOT_IN_NAMES = re.compile(r"[^\w-]+")
_FONT = "Calibri"  # that of cells for which nothing is said
_MUTED, _RULE = "FF55606A", "FF1E2528"

Value = str | float | None


@dataclass(frozen=True)
class _Sheet:
    """A table on a sheet of its own."""

    name: str
    kind: str
    title: str
    columns: Sequence[str]
    rows: Sequence[Sequence[Value]]
    note: str


def annex(report: Report) -> bytes:
    """The tables of a report as a workbook."""
    book = Workbook()
    book.properties.title = (report.title or "Report")[:255]
    book.properties.creator = f"forecast {__version__}"
    sheets = list(_sheets(report))
    first = book.active
    assert isinstance(first, Worksheet)
    first.title = SUMMARY
    values = one_row(report)
    _fill(first, list(values), [list(values.values())])
    listed: list[list[Value]] = [
        [sheet.name, sheet.kind, sheet.title, len(sheet.rows)] for sheet in sheets
    ]
    _fill(book.create_sheet(_CONTENTS), ["sheet", "kind", "title", "rows"], listed)
    for sheet in sheets:
        filled = book.create_sheet(sheet.name)
        _fill(filled, sheet.columns, sheet.rows, title=sheet.title, note=sheet.note)
    made = io.BytesIO()
    book.save(made)
    return same_archive(made.getvalue())


def one_row(report: Report) -> dict[str, Value]:
    """A report in one row: its title, what made it, and what it says of itself for that purpose.

    A report that says nothing is summed up by its facts, each under its label.

    >>> one_row(Report([Facts((("Items promised", "2,400"),))]))["items_promised"]
    2400
    """
    row: dict[str, Value] = {"report": report.title or "Report", "made_with": __version__}
    for told in report.of(Summary):
        row |= told.values
    for facts in report.of(Facts) if not report.of(Summary) else ():
        for label, value in facts.pairs:
            name = re.sub(r"[^a-z0-9]+", "_", label.lower()).strip("_")
            row.setdefault(name or "unnamed", _value(value))
    return row


def _value(text: str) -> Value:
    """A number where a text is nothing but one; text otherwise."""
    if not _NUMBER.fullmatch(text) or len(text) > 15:
        return text
    plain = text.replace(",", "").replace("\u2212", "-")
    return float(plain) if "." in plain else int(plain)


def _sheets(report: Report) -> Iterator[_Sheet]:
    """Every table, and the table behind every chart, in order."""
    blocks = [
        block
        for block in report
        if isinstance(block, Table) or (isinstance(block, Figure) and block.columns)
    ]
    for number, block in enumerate(blocks, 1):
        if isinstance(block, Table):
            rows = [
                [_value(cell) if n in block.numeric else cell for n, cell in enumerate(row)]
                for row in block.rows
            ]
            name = _name(number, block.caption)
            yield _Sheet(name, "table", block.caption, block.columns, rows, block.note)
        elif isinstance(block, Figure):
            name = _name(number, block.key.removeprefix("figure-"))
            yield _Sheet(name, "chart", block.title, block.columns, block.rows, block.caption)


def _name(number: int, words: str) -> str:
    """A sheet's name: its number, which makes it the only one, and what fits of its title."""
    return f"{number:02} {_NOT_IN_NAMES.sub(' ', words)}"[:31].rstrip()


def _fill(
    sheet: Worksheet,
    columns: Sequence[str],
    rows: Iterable[Sequence[Value]],
    *,
    title: str = "",
    note: str = "",
) -> None:
    """Column names, then rows; what the table is called and remarks stand in the page's head."""
    for n, words in enumerate(columns, 1):
        _write(sheet, 1, n, words)
        cell = sheet.cell(1, n)
        cell.font = Font(name=_FONT, bold=True)
        cell.border = Border(bottom=Side("thin", color=_RULE))
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
    widest = [len(words) for words in columns]
    last = 1
    for last, row in enumerate(rows, 2):
        for n, value in enumerate(row, 1):
            _write(sheet, last, n, value)
            widest[n - 1] = max(widest[n - 1], len(str(value)))
    for n, letters in enumerate(widest, 1):
        sheet.column_dimensions[get_column_letter(n)].width = min(60, max(8, letters + 2))
    for words in (title, note):
        if words:
            last += 1 if words is note else 2
            _write(sheet, last, 1, words)
            sheet.cell(last, 1).font = Font(name=_FONT, color=_MUTED)
    sheet.freeze_panes = "A2"
    sheet.print_title_rows = "1:1"
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", 9  # A4
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_setup.fitToHeight = 0  # as many pages as it takes, each as wide as the table


def _write(sheet: Worksheet, row: int, column: int, value: Value) -> None:
    """A value into a cell; text stays text, also where it looks like a formula."""
    cell = sheet.cell(row, column)
    if isinstance(value, str):
        cell.value = value[:_LONGEST]
        cell.data_type = "s"
        if value[:1] in _LIKE_A_FORMULA:
            cell.quotePrefix = True  # so that it stays text when somebody edits the cell
    elif value is not None:
        cell.value = value
