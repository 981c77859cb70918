"""Reading a workbook: an .xlsx file to the rows of its sheets, with every fault noted.

Drop-downs and bounds of a spreadsheet do not stop what is pasted in, so every cell is looked at
again, and each problem names its cell as the spreadsheet does: ``counts!D7``. Only plain values are
read. A formula holds whatever the last program that saved the file made of it, and merged cells
hide which row a value belongs to: both are refused.
"""

from __future__ import annotations

import io
import re
import unicodedata
import warnings
import zipfile
import zlib
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any, TypeVar

from openpyxl import Workbook, load_workbook
from openpyxl.cell.cell import Cell, MergedCell
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from forecast.cells import CellError, Findings, nearest, shorten
from forecast.sheets import Row, read_bytes

__all__ = ["CellRow", "Columns", "read_workbook"]

T = TypeVar("T")

Columns = Mapping[str, tuple[Sequence[str], Sequence[str]]]
Cells = dict[int, "Cell | MergedCell"]

_LARGEST = 50_000_000  # bytes of all parts when unpacked, pictures included
_LARGEST_TABLES = 5_000_000  # bytes of those that are read; a return has a tenth of it
_MOST_PARTS = 1_000
_READ = (".xml", ".rels", ".vml")
_OLD_KIND = b"\xd0\xcf\x11\xe0"
_ENTITIES = re.compile(rb"<!(doctype|entity)", re.IGNORECASE)
_SHEET = re.compile(rb"<(\w+:)?worksheet[ >/]")
_DAMAGED = ("a workbook that can be opened", "Save it again as .xlsx, or copy it anew.")
_BROKEN = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, OSError, RuntimeError)


class CellRow(Row):
    """One row of a sheet, whose cells are named as a spreadsheet names them.

    The first problem of a cell is told, and no other that would only follow from it.
    """

    def __init__(
        self, file: str, sheet: str, number: int, letters: Mapping[str, str], findings: Findings
    ) -> None:
        self._texts: dict[str, str] = {}
        super().__init__(file, number, self._texts, findings)
        self._sheet = sheet
        self._letters = letters
        self._told: set[str] = set()

    def place(self, column: str = "") -> str:
        """Where a cell stands; the row's first where no column is named."""
        return f"{self._sheet}!{self._letters.get(column, 'A')}{self.number}"

    def take(self, column: str, cell: Cell | MergedCell) -> None:
        """Keep what a cell holds as text, or note why it holds no plain value."""
        try:
            self._texts[column] = _text(cell)
        except CellError as misread:
            self._texts[column] = _shown(cell)
            self.reject(column, misread.expected, misread.remedy)

    def reject(self, column: str, expected: str, remedy: str, read: str | None = None) -> None:
        """Note a problem of this row, once a cell; ``column`` may be empty."""
        if column and column in self._told:
            return
        self._told.add(column)
        super().reject(column, expected, remedy, read)

    def read(
        self,
        column: str,
        parse: Callable[[str], T],
        fallback: T,
        optional: bool = False,
        assumed: bool = False,
    ) -> T:
        """A cell through a parser, unless it is known already to hold no plain value."""
        if column in self._told:
            return fallback
        return super().read(column, parse, fallback, optional, assumed)


def read_workbook(
    path: Path, columns: Columns, findings: Findings, ignored: Collection[str] = ()
) -> dict[str, list[Row]]:
    """The rows of each sheet of a workbook, without blank rows and comments.

    A row is a comment if it holds one cell only and that begins with ``#``. Columns stand in any
    order. Rows and columns that are hidden are read like all others; blank ones, however they
    are formatted, are not there.

    Args:
        path: the workbook.
        columns: the required and optional columns of each sheet that it may hold.
        findings: where problems are noted.
        ignored: names of visible sheets that hold nothing to read. Hidden sheets with other names
            than those of ``columns`` are ignored as well.

    Returns:
        Rows by the name of the sheet; a sheet that is missing or blank is left out. Nothing where
        the file cannot be opened.
    """
    data = read_bytes(path, findings)
    if data is None:
        return {}
    unfit = _unfit(path, data)
    book = None if unfit else _opened(data)
    if book is None:
        read, expected, remedy = unfit or ("", *_DAMAGED)
        findings.add(path.name, "", read, expected, remedy)
        return {}
    sheets = {}
    for sheet in book.worksheets:
        cells = _filled(sheet)
        if sheet.title in columns:
            if cells:
                required, optional = columns[sheet.title]
                sheets[sheet.title] = _Table(path.name, sheet, cells, findings).rows(
                    required, optional
                )
        elif cells and sheet.sheet_state == "visible" and sheet.title not in ignored:
            free = [name for name in columns if name not in book.sheetnames]
            findings.add(
                path.name,
                f"{sheet.title}!A1",
                sheet.title,
                "a sheet of this workbook",
                f"{nearest(sheet.title, free)} Rename the sheet, or delete it.",
            )
    return sheets


# --- the file -----------------------------------------------------------------------------------


def _unfit(path: Path, data: bytes) -> tuple[str, str, str] | None:
    """Why a file is not opened at all: what was read, what is expected, what to do."""
    plain = "a workbook (.xlsx)"
    if data.startswith(_OLD_KIND):
        if "EncryptedPackage".encode("utf-16-le") in data:
            remedy = "Open it with its password and save it without one."
            return "a file with a password", "a workbook without a password", remedy
        return "a workbook of the old kind", plain, "Open it and save it as .xlsx."
    if not data.startswith(b"PK"):
        return "", plain, "Save it as .xlsx, or give a folder of CSV files."
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            return _unfit_parts(path, parts)
    except _BROKEN:
        return ("", *_DAMAGED)


def _unfit_parts(path: Path, parts: zipfile.ZipFile) -> tuple[str, str, str] | None:
    """Why the parts of a workbook are not read: each is unpacked only if all are small."""
    infos = parts.infolist()
    names = [info.filename for info in infos]
    size = sum(info.file_size for info in infos)
    tables = sum(info.file_size for info in infos if info.filename.endswith(_READ))
    if size > _LARGEST or tables > _LARGEST_TABLES or len(infos) > _MOST_PARTS:
        remedy = "Copy the filled rows into a new sheet from `forecast sheet`."
        shown = f"{size:,} bytes in {len(infos):,} parts when unpacked"
        expected = (
            f"a workbook that unpacks to at most {_LARGEST // 1_000_000} MB, of them at most "
            f"{_LARGEST_TABLES // 1_000_000} MB of tables"
        )
        return shown, expected, remedy
    if any(info.flag_bits & 1 for info in infos):
        remedy = "Open it with its password and save it without one."
        return "a file with a password", "a workbook without a password", remedy
    if "xl/workbook.xml" not in names:
        return "", "a workbook (.xlsx)", "Open it and save it as .xlsx."
    xml = {name: parts.read(name) for name in names if name.endswith(_READ)}
    macros = any("vbaProject" in name for name in names) or any(
        b"macroEnabled" in xml.get(name, b"") for name in ("[Content_Types].xml",)
    )
    if macros or path.suffix.lower() in (".xlsm", ".xltm"):
        return "a workbook with macros", "a workbook without macros", "Save it as .xlsx."
    for part in xml.values():
        # Without zero bytes it is found in UTF-16, too.
        if _ENTITIES.search(part.replace(b"\0", b"")):
            remedy = "Copy the filled rows into a new sheet from `forecast sheet`."
            return "definitions of entities", "a workbook without them", remedy
    return None if _complete(xml, names) else ("", *_DAMAGED)


def _complete(xml: Mapping[str, bytes], names: Collection[str]) -> bool:
    """Whether every sheet is there: one that is missing would pass for one that is not told."""
    links = xml.get("xl/_rels/workbook.xml.rels", b"")
    for link in re.findall(rb"<[^>]*/worksheet\"[^>]*>", links):
        target = re.search(rb'Target="/?(?:xl/)?([^"]*)"', link)
        part = f"xl/{target[1].decode(errors='replace')}" if target else ""
        if part not in names or not _SHEET.search(xml.get(part, b"").replace(b"\0", b"")):
            return False
    return True


def _opened(data: bytes) -> Workbook | None:
    """The workbook, or None if it is damaged."""
    try:
        with warnings.catch_warnings():
            # About charts, colours and the like that get lost: nothing is saved from here.
            warnings.simplefilter("ignore")
            return load_workbook(io.BytesIO(data), keep_links=False)
    except Exception:  # noqa: BLE001  # a damaged part ends in one of a dozen kinds of exception
        return None


# --- cells --------------------------------------------------------------------------------------


def _filled(sheet: Worksheet) -> dict[int, Cells]:
    """Cells that hold something, by row and column."""
    rows: dict[int, Cells] = {}
    # The public ways make every blank cell up to the last one, which may be XFD1048576.
    for (row, column), cell in sorted(sheet._cells.items()):  # noqa: SLF001
        value = cell.value
        if value is not None and not (isinstance(value, str) and not value.strip()):
            rows.setdefault(row, {})[column] = cell
    return rows


def _shown(cell: Cell | MergedCell) -> str:
    """What a message repeats of a cell."""
    value: Any = cell.value
    return str(getattr(value, "text", value))


def _text(cell: Cell | MergedCell) -> str:
    """A plain value as a CSV file would have it.

    Raises:
        CellError: it is a formula, an error, TRUE or FALSE, or a time of day.
    """
    value: Any = cell.value
    if cell.data_type == "f":
        remedy = "Write the number, date or word itself."
        raise CellError("a plain value, not a formula", remedy)
    if cell.data_type == "e":
        remedy = "The spreadsheet could not work it out: write the value itself."
        raise CellError("a plain value", remedy)
    for kinds, written in _KINDS:
        if isinstance(value, kinds):
            return written(value)
    return unicodedata.normalize("NFC", str(value)).strip()


def _truth(_: bool) -> str:
    raise CellError("a number, a date or a word", "Write yes or no, or the number itself.")


def _moment(value: datetime) -> str:
    if value.time() != time():
        raise CellError("a date without a time of day", f"Write {value.date().isoformat()}.")
    return value.date().isoformat()


def _duration(_: object) -> str:
    remedy = "Write hours as a number, 7.5 for seven hours and a half, and format the cell so."
    raise CellError("a number or a date", remedy)


def _number(value: float) -> str:
    if isinstance(value, int) or (value.is_integer() and abs(value) < 1e15):
        return str(int(value))
    return repr(value)


_KINDS: tuple[tuple[type | tuple[type, ...], Callable[[Any], str]], ...] = (
    (bool, _truth),
    (datetime, _moment),
    (date, date.isoformat),
    ((time, timedelta), _duration),
    ((int, float), _number),
)


# --- tables -------------------------------------------------------------------------------------


class _Table:
    """One sheet: names of columns in its first row, and rows below."""

    def __init__(
        self, file: str, sheet: Worksheet, cells: dict[int, Cells], findings: Findings
    ) -> None:
        self.file, self.sheet, self.findings = file, sheet, findings
        self.filled = {row: found for row, found in cells.items() if not _is_comment(found)}

    def add(self, place: str, read: str, expected: str, remedy: str) -> None:
        """Note a problem of this sheet."""
        self.findings.add(self.file, f"{self.sheet.title}!{place}", read, expected, remedy)

    def rows(self, required: Sequence[str], optional: Sequence[str]) -> list[Row]:
        """The rows, or none where the names of the columns are not right."""
        if not self.filled:
            return []
        first = min(self.filled)
        header = {
            column: unicodedata.normalize("NFC", _shown(cell)).strip()
            for column, cell in self.filled[first].items()
        }
        complete = self._check_header(first, header, required, optional)
        self._check_merged(first, header)
        letters = {name: get_column_letter(column) for column, name in header.items()}
        rows: list[Row] = []
        for number, cells in self.filled.items():
            if number != first:
                row = CellRow(self.file, self.sheet.title, number, letters, self.findings)
                self._take(row, cells, header)
                rows.append(row)
        return rows if complete else []

    def _take(self, row: CellRow, cells: Cells, header: Mapping[int, str]) -> None:
        for column, cell in cells.items():
            if column in header:
                row.take(header[column], cell)
            else:
                self.add(
                    f"{get_column_letter(column)}{row.number}",
                    _shown(cell),
                    "no cell without a column name",
                    f"Name the column in row {min(self.filled)}, or empty the cell.",
                )

    def _check_header(
        self,
        row: int,
        header: Mapping[int, str],
        required: Sequence[str],
        optional: Sequence[str],
    ) -> bool:
        """Whether each column is known, there if it must be, and there once."""
        known, names = (*required, *optional), [*header.values()]
        missing = [name for name in required if name not in names]
        twice = False
        for number, (column, name) in enumerate(header.items()):
            place = f"{get_column_letter(column)}{row}"
            if name not in known:
                options = missing or [each for each in known if each not in names] or known
                self.add(place, name, "a column of this sheet", nearest(name, options))
            elif name in names[:number]:
                twice = True
                self.add(place, name, "each column once", "Delete the second one.")
        for name in missing:
            remedy = f"Add the column {name}, or correct the name of the one that is meant."
            self.add(f"A{row}", shorten(", ".join(names)), f"a column {name}", remedy)
        return not missing and not twice

    def _check_merged(self, first: int, header: Mapping[int, str]) -> None:
        """Refuse merged cells between the names of the columns and the last filled row."""
        last = max(self.filled)
        for area in sorted(self.sheet.merged_cells.ranges, key=lambda area: area.bounds):
            left, top, _, bottom = area.bounds
            if bottom >= first and top <= last and left <= max(header):
                remedy = "Take the merging apart and write each value into its own cell."
                self.add(area.coord, "merged cells", "single cells", remedy)


def _is_comment(cells: Cells) -> bool:
    """Whether a row holds a remark and nothing else."""
    return len(cells) == 1 and any(
        isinstance(cell.value, str) and cell.value.lstrip().startswith("#")
        for cell in cells.values()
    )
