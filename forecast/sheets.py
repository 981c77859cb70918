"""Reading the cells of plain files: bytes to rows, rows to typed values, with every fault noted.

A row hands out a harmless value for a cell that cannot be read and remembers that it is faulty, so
that reading goes on and all problems of all files come in one go.
"""

from __future__ import annotations

import csv
import io
import unicodedata
from collections.abc import Callable, Collection, Sequence
from datetime import date
from pathlib import Path
from typing import TypeVar

from forecast.cells import (
    CellError,
    Findings,
    Limits,
    nearest,
    parse_choice,
    parse_date,
    parse_flag,
    parse_number,
    shorten,
    unguard,
)
from forecast.estimates import Estimate

__all__ = ["Row", "decode", "read_bytes", "read_rows"]

T = TypeVar("T")

_LARGEST_FILE = 50_000_000  # bytes; a sheet of a million rows is smaller


def read_bytes(path: Path, findings: Findings) -> bytes | None:
    """A file's bytes, or None with the reason noted."""
    try:
        if path.is_dir():
            findings.add(path.name, "", "a folder", "a file", "Move the folder elsewhere.")
        elif path.stat().st_size > _LARGEST_FILE:
            findings.add(
                path.name,
                "",
                f"{path.stat().st_size:,} bytes",
                "a file below 50 MB",
                "Check that the right file was saved under this name.",
            )
        else:
            return path.read_bytes()
    except FileNotFoundError:
        findings.add(path.name, "", "", "this file in the folder", "Save it there.")
    except PermissionError:
        findings.add(
            path.name,
            "",
            "",
            "a file that can be opened",
            "If it is open in a spreadsheet, close it in the spreadsheet; otherwise ask "
            "for the right to read it.",
        )
    except OSError as error:
        findings.add(
            path.name,
            "",
            error.strerror or "",
            "a file that can be read",
            "Copy the file anew from where it came.",
        )
    return None


def decode(name: str, data: bytes, findings: Findings) -> str | None:
    """The text of a file in UTF-8, with or without a byte order mark; None if it is no text."""
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        findings.add(
            name,
            "",
            "a workbook",
            "plain text",
            "In the spreadsheet, save the sheet as CSV (UTF-8).",
        )
        return None
    if b"\0" in data:
        findings.add(
            name,
            "",
            "bytes that are no text in UTF-8",
            "plain text in UTF-8",
            "Save it as CSV (UTF-8), not as Unicode text or UTF-16.",
        )
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data.count(b"\n", 0, error.start) + 1
        start = data.rfind(b"\n", 0, error.start) + 1
        line = data[start : error.end + 20].splitlines()[0].decode("cp1252", "replace")
        findings.add(
            name,
            f"row {row}",
            line,
            "text in UTF-8",
            "Save the file again and choose CSV (UTF-8) or the encoding UTF-8.",
        )
    # Reading goes on in the likeliest other encoding, so that further problems are found as well.
    return data.decode("cp1252", "replace")


class Row:
    """One row of a sheet. Its methods read a cell, or note the problem and mark the row faulty.

    A blank cell, or one whose column is left out, gives ``default`` where there is one.
    """

    def __init__(
        self,
        file: str,
        number: int,
        cells: dict[str, str],
        findings: Findings,
        decimal_comma: bool = False,
    ) -> None:
        self.file = file
        self.number = number
        self.good = True
        self._cells = cells
        self._findings = findings
        self._decimal_comma = decimal_comma

    def cell(self, column: str) -> str:
        """The text of a cell; empty if the column is left out."""
        return self._cells.get(column, "")

    def place(self, column: str = "") -> str:
        """Where a cell stands, or the row, as a message says it."""
        return f"row {self.number}, column {column}" if column else f"row {self.number}"

    def reject(self, column: str, expected: str, remedy: str, read: str | None = None) -> None:
        """Note a problem of this row; ``column`` may be empty."""
        self.good = False
        shown = self.cell(column) if read is None else read
        self._findings.add(self.file, self.place(column), shown, expected, remedy)

    def read(
        self,
        column: str,
        parse: Callable[[str], T],
        fallback: T,
        optional: bool = False,
        assumed: bool = False,
    ) -> T:
        """A cell through a parser; ``fallback`` if it is faulty, or blank and optional."""
        text = self.cell(column)
        if optional and not text:
            if assumed:
                self._findings.assume(f"{self.file}:{column}")
            return fallback
        try:
            return parse(text)
        except CellError as misread:
            self.reject(column, misread.expected, misread.remedy)
            return fallback

    def text(self, column: str, optional: bool = False) -> str:
        """Some text."""
        if not optional and not self.cell(column):
            self.reject(column, "some text", "Fill in the cell.")
        return self.cell(column)

    def number_in(
        self, column: str, limits: Limits, default: float | None = None, assumed: bool = False
    ) -> float:
        """A number within its limits; with a default, the cell may be blank."""
        return self.read(
            column,
            lambda text: parse_number(text, limits, self._decimal_comma),
            limits.low if default is None else default,
            optional=default is not None,
            assumed=assumed,
        )

    def whole(self, column: str, low: int = 0, high: int = 1_000_000) -> int:
        """A whole number."""
        return int(self.number_in(column, Limits(low, high, whole=True)))

    def day(self, column: str) -> date:
        """A date."""
        return self.read(column, parse_date, date.min)

    def optional_day(self, column: str, assumed: bool = False) -> date | None:
        """A date or nothing."""
        fallback: date | None = None
        return self.read(column, parse_date, fallback, optional=True, assumed=assumed)

    def flag(self, column: str) -> bool:
        """Yes or no."""
        return self.read(column, parse_flag, False)

    def choice(self, column: str, options: Collection[str], what: str) -> str:
        """One of some names."""
        return self.read(column, lambda text: parse_choice(text, options, what), "")

    def optional_choice(self, column: str, options: Collection[str], what: str) -> str | None:
        """One of some names or nothing."""
        fallback: str | None = None
        return self.read(
            column, lambda text: parse_choice(text, options, what), fallback, optional=True
        )

    def estimate(self, limits: Limits) -> Estimate:
        """Columns low, likely and high."""
        low, likely, high = (self.number_in(name, limits) for name in ("low", "likely", "high"))
        if low <= likely <= high:
            return Estimate(low, likely, high)
        if self.good:
            self.reject(
                "likely",
                "low, likely and high in rising order",
                "Put the smallest number in low and the largest in high.",
                f"{low:g}, {likely:g}, {high:g}",
            )
        return Estimate.known(0.0)

    def period(self, first: str, last: str) -> tuple[date, date]:
        """Two dates in order, both included."""
        begin, end = self.day(first), self.day(last)
        if self.good and end < begin:
            self.reject(last, f"a date on or after {first} ({begin})", "Correct one of the dates.")
        return begin, end


def read_rows(
    name: str,
    data: bytes,
    required: Sequence[str],
    optional: Sequence[str],
    findings: Findings,
    guarded: bool = False,
) -> list[Row]:
    """The rows of a CSV file, without comments and blank rows.

    A line that begins with ``#`` is a comment. Rows are counted as a spreadsheet counts them.
    ``guarded`` reads a file whose text went through :func:`~forecast.cells.guard`; there a row
    below the names of the columns is a comment only if nothing stands beside its first cell, so
    that no batch named #3 gets lost.
    """
    text = decode(name, data, findings)
    if text is None:
        return []
    records, decimal_comma = _records(name, text, findings, guarded)
    if not records:
        findings.add(
            name,
            "",
            "an empty file",
            f"a first row with {', '.join(required)}",
            "Write the names of the columns into the first row.",
        )
        return []
    header = _header(name, records[0], required, optional, findings)
    rows = []
    for number, cells in records[1:]:
        if len(cells) < len(header) or any(cells[len(header) :]):
            findings.add(
                name,
                f"row {number}",
                ",".join(cells),
                f"{len(header)} cells, one for each column, not {len(cells)}",
                "Complete the row, leaving cells blank where nothing is told; put text "
                "that holds a separator into double quotes.",
            )
            continue
        named = {column: cell for column, cell in zip(header, cells, strict=False) if column}
        for column, cell in zip(header, cells, strict=False):
            if not column and cell:
                findings.add(
                    name,
                    f"row {number}",
                    cell,
                    "no cell without a column name",
                    "Name the column in the first row or empty the cell.",
                )
        rows.append(Row(name, number, named, findings, decimal_comma))
    # A missing column has been told once; the same for every row would only hide other problems.
    complete = set(required) <= set(header)
    twice = any(column and header.count(column) > 1 for column in header)
    return rows if complete and not twice else []


def _records(
    name: str, text: str, findings: Findings, guarded: bool
) -> tuple[list[tuple[int, list[str]]], bool]:
    """Numbered records that are neither blank nor comments, and whether commas are decimal."""
    lines = [*io.StringIO(text, newline=None)]
    if not guarded:
        lines = ["\n" if line.startswith("#") else line for line in lines]
    # A spreadsheet may have put a note into quotation marks; it says nothing about separators.
    first = next((line for line in lines if line.strip() and not line.startswith(("#", '"#'))), "")
    separator = ";" if first.count(";") > first.count(",") else ","
    if "\t" in first and not ("," in first or ";" in first):
        findings.add(
            name,
            "",
            "cells separated by tabs",
            "cells separated by commas or semicolons",
            "Save the sheet as CSV.",
        )
        separator = "\t"
    reader = csv.reader(lines, delimiter=separator, strict=True)
    records: list[tuple[int, list[str]]] = []
    number = 0
    while True:
        number += 1
        try:
            cells = [unicodedata.normalize("NFC", cell).strip() for cell in next(reader)]
        except StopIteration:
            break
        except csv.Error:
            findings.add(
                name,
                f"row {number}",
                lines[max(0, reader.line_num - 1)],
                "cells of moderate length with paired quotation marks",
                "Close the quotation mark, or shorten the cell.",
            )
            continue
        remark = cells and cells[0].startswith("#")
        if remark and guarded and records and any(cells[1:]):
            remark = False
        if any(cells) and not remark:
            records.append((number, [unguard(cell) for cell in cells] if guarded else cells))
    return records, separator == ";"


def _header(
    name: str,
    record: tuple[int, list[str]],
    required: Sequence[str],
    optional: Sequence[str],
    findings: Findings,
) -> list[str]:
    """The names of the columns, checked; unknown ones are kept out of the way as they are."""
    number, header = record
    place = f"row {number}"
    known = [*required, *optional]
    missing = [column for column in required if column not in header]
    for column in dict.fromkeys(cell for cell in header if cell and cell not in known):
        findings.add(
            name,
            f"{place}, column {shorten(column)}",
            column,
            "a column of this file",
            nearest(column, missing or known),
        )
    for column in known:
        if header.count(column) > 1:
            findings.add(
                name,
                f"{place}, column {column}",
                column,
                "each column once",
                "Delete the second one.",
            )
    for column in missing:
        findings.add(
            name,
            place,
            ", ".join(header),
            f"a column {column}",
            f"Add the column {column}, or correct the name of the one that is meant.",
        )
    while header and not header[-1]:  # spreadsheets like to add blank columns at the right
        header.pop()
    return header
