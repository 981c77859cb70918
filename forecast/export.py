"""The record as plain files, and plain files into an empty record.

    record.csv                       which form the files have
    returns.csv                      one line a return, in the order of recording
    returns/0001 2026-03-09/*.csv    its sheets, as a team writes them
    warnings.csv, crossings.csv      what was shown when a return was recorded
    forecasts.csv                    one line a forecast that was issued
    forecasts/0001 2026-03-09/       results.json, draws.csv, why.json
    inputs/0001/                     a project folder as it was
    anonymised.csv                   when names were replaced
    files.csv                        the checksum of every file above; written last

The folder gets its name when all of it is written.
"""

from __future__ import annotations

import csv
import io
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import date, datetime, timedelta
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np

from forecast import __version__
from forecast.errors import ForecastError, InputError, Problem
from forecast.issued import Draws
from forecast.items import MOULD_NAMES, Mould
from forecast.outcome import NOT_BY_HORIZON
from forecast.record import Anonymised, Contents, Filed, Inputs, Record, Version
from forecast.return_checks import Crossing
from forecast.return_files import none_row
from forecast.stages import STAGE_NAMES, Stage
from forecast.weekly import (
    AWAY,
    SHEETS,
    Count,
    DryingBatch,
    ExposureDay,
    Hours,
    Note,
    Received,
    WeeklyReturn,
    WorkedDay,
)

__all__ = ["export", "import_export", "is_export", "write_contents"]

FORMAT = "1"
_MANIFEST = "files.csv"
_RETURNS = ("number", "week", "recorded_at", "correction", "reason", "digest", "inputs")
_WARNINGS = ("number", "file", "place", "read", "expected", "remedy")
_CROSSINGS = ("number", "person", "days", "hours", "limit", "sentence")
_FORECASTS = (
    "number",
    "week",
    "as_of",
    "issued_at",
    "seed",
    "replications",
    "version",
    "input_sha256",
    "known",
    "inputs",
    "first_day",
)
_ANONYMISED = ("done_at", "before", "persons")


def export(record: Record, folder: Path) -> int:
    """Write everything on record as plain files into a new folder.

    Returns:
        How many files were written.

    Raises:
        InputError: the folder is there already.
        ForecastError: the record cannot be read, or the files not be written: no folder of that
            name is left.
    """
    return write_contents(record.contents(), folder)


def write_contents(contents: Contents, folder: Path) -> int:
    """As :func:`export`, from what was read before."""
    if folder.exists():
        remedy = "Give another name, or move it elsewhere."
        raise InputError(
            [Problem(str(folder), "", "something there", "a folder to be made", remedy)]
        )
    files = _as_files(contents)
    part = folder.with_name(folder.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        for name, content in files.items():
            target = part / name
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())  # names may be taken out of the record right after
        part.rename(folder)
    except OSError as error:
        shutil.rmtree(part, ignore_errors=True)
        reason = error.strerror or type(error).__name__
        raise ForecastError(f"{folder}: the export cannot be written ({reason}).") from None
    return len(files)


def is_export(folder: Path) -> bool:
    """Whether a folder is an export, and no weekly return."""
    return (folder / _MANIFEST).is_file() and (folder / "record.csv").is_file()


def import_export(folder: Path, record: Record) -> int:
    """Put an export into an empty record; all of it or nothing.

    Returns:
        How many returns there are.

    Raises:
        InputError: files are missing or were changed, or the record is not empty.
        ForecastError: the record cannot be written; it is still empty.
    """
    files = _checked(Path(folder))
    try:
        contents = _Reader(files).contents()
    except (KeyError, ValueError, IndexError) as error:
        raise InputError([_not_as_written(_MANIFEST, f"a fault ({error})")]) from None
    record.fill(contents)
    return len(contents.versions)


# To files


def _as_files(contents: Contents) -> dict[str, bytes]:
    """Every file by its name, the list of files last; the same contents give the same bytes."""
    inputs = _distinct(contents)
    number_of = {each.checksum: number for number, each in enumerate(inputs, 1)}
    files = {"record.csv": _csv(("format", "program"), [(FORMAT, __version__)])}
    files |= _return_files(contents.versions, number_of)
    files |= _forecast_files(contents.forecasts, number_of)
    rows = [(_iso(a.done_at), _iso(a.before), a.persons) for a in contents.anonymised]
    files["anonymised.csv"] = _csv(_ANONYMISED, rows)
    for number, each in enumerate(inputs, 1):
        files |= {f"inputs/{number:04}/{name}": data for name, data in each.files.items()}
    sums = [(name, len(data), sha256(data).hexdigest()) for name, data in files.items()]
    return {**files, _MANIFEST: _csv(("file", "bytes", "sha256"), sums)}


def _distinct(contents: Contents) -> list[Inputs]:
    used: list[Version | Filed] = [*contents.versions, *contents.forecasts]
    return list({each.inputs.checksum: each.inputs for each in used}.values())


def _return_files(
    versions: Sequence[Version], number_of: Mapping[str, int]
) -> dict[str, bytes]:
    rows = [
        (
            each.number,
            _iso(each.week),
            _iso(each.recorded_at),
            "yes" if each.correction else "no",
            each.reason,
            each.ret.digest,
            number_of[each.inputs.checksum],
        )
        for each in versions
    ]
    warnings = [
        (v.number, w.file, w.place, w.read, w.expected, w.remedy)
        for v in versions
        for w in v.warnings
    ]
    crossings = [
        (v.number, c.person, " ".join(map(_iso, c.days)), c.hours, c.limit, c.sentence)
        for v in versions
        for c in v.crossings
    ]
    files = {
        "returns.csv": _csv(_RETURNS, rows),
        "warnings.csv": _csv(_WARNINGS, warnings),
        "crossings.csv": _csv(_CROSSINGS, crossings),
    }
    for each in versions:
        for sheet in SHEETS:
            if sheet in each.ret.told:
                name = f"{_return_folder(each.number, each.week)}/{sheet}.csv"
                rows_told = each.ret.table(sheet) or [none_row(sheet, each.week)]
                told = [tuple(row.values()) for row in rows_told]
                files[name] = _csv(SHEETS[sheet], told)
    return files


def _return_folder(number: int, week: date) -> str:
    return f"returns/{number:04} {_iso(week)}"


def _forecast_files(
    forecasts: Sequence[Filed], number_of: Mapping[str, int]
) -> dict[str, bytes]:
    rows = []
    files = {}
    for number, each in enumerate(forecasts, 1):
        folder = _forecast_folder(number, each.week)
        first_day = ""
        files[f"{folder}/results.json"] = each.results.encode()
        if each.draws:
            draws = Draws.from_bytes(each.draws)
            first_day = _iso(draws.start)
            files[f"{folder}/draws.csv"] = _draws_csv(draws)
        if each.why:
            files[f"{folder}/why.json"] = each.why.encode()
        rows.append(
            (
                number,
                _iso(each.week),
                _iso(each.as_of),
                _iso(each.issued_at),
                each.seed,
                each.replications,
                each.version,
                each.input_sha256,
                " ".join(map(str, each.known)),
                number_of[each.inputs.checksum],
                first_day,
            )
        )
    return {"forecasts.csv": _csv(_FORECASTS, rows), **files}


def _forecast_folder(number: int, week: date) -> str:
    return f"forecasts/{number:04} {_iso(week)}"


def _draws_csv(draws: Draws) -> bytes:
    """One line a future: its finish (blank: not by the horizon) and items done by each Sunday."""
    lines = []
    for number, (finish, done) in enumerate(
        zip(draws.finish.tolist(), draws.done.tolist(), strict=True)
    ):
        day = "" if finish == NOT_BY_HORIZON else _iso(draws.start + timedelta(days=finish))
        lines.append((number, day, *done))
    return _csv(("replication", "finish", *map(_iso, draws.weeks)), lines)


def _csv(columns: Sequence[str], rows: Sequence[Sequence[Any]]) -> bytes:
    # Lines end as the standard for CSV has it, so that a line feed inside a cell is quoted.
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return text.getvalue().encode()


def _iso(moment: date | datetime) -> str:
    return moment.isoformat()


# From files


def _checked(folder: Path) -> dict[str, bytes]:
    """The files of an export, each as it was written.

    Raises:
        InputError: with every file that is missing or was changed.
    """
    problems: list[Problem] = []
    manifest = _read(folder, _MANIFEST, problems)
    files: dict[str, bytes] = {}
    for row in _rows(manifest) if manifest is not None else []:
        name = row.get("file", "")
        if not name or Path(name).is_absolute() or ".." in Path(name).parts:
            problems.append(_not_as_written(_MANIFEST, name))
            continue
        content = _read(folder, name, problems)
        if content is None:
            continue
        if sha256(content).hexdigest() != row.get("sha256"):
            problems.append(_not_as_written(name, "other content"))
        files[name] = content
    if not problems and _rows(files.get("record.csv", b""))[:1] != []:
        form = _rows(files["record.csv"])[0].get("format", "")
        if form != FORMAT:
            newer = "Use the version of the program that wrote it, or a later one."
            problems.append(Problem("record.csv", "", f"format {form}", f"format {FORMAT}", newer))
    elif not problems:
        problems.append(_not_as_written("record.csv", ""))
    if problems:
        raise InputError(problems)
    return files


def _read(folder: Path, name: str, problems: list[Problem]) -> bytes | None:
    try:
        return (folder / name).read_bytes()
    except OSError as error:
        problems.append(_not_as_written(name, error.strerror or ""))
    return None


def _not_as_written(name: str, read: str) -> Problem:
    return Problem(
        name,
        "",
        read,
        "the file as the export wrote it",
        "Copy the whole export anew from where it came.",
    )


def _rows(content: bytes) -> list[dict[str, str]]:
    try:
        text = content.decode()
    except UnicodeDecodeError:
        return []
    return list(csv.DictReader(io.StringIO(text, newline="")))


@dataclass
class _Reader:
    """Reads the files of an export, which were checked.

    Raises:
        KeyError, ValueError, IndexError: from any method, where something does not fit.
    """

    files: Mapping[str, bytes]

    @cached_property
    def _inputs(self) -> dict[int, Inputs]:
        named: dict[int, dict[str, bytes]] = {}
        for name, content in self.files.items():
            if name.startswith("inputs/"):
                _, number, rest = name.split("/", 2)
                named.setdefault(int(number), {})[rest] = content
        return {number: Inputs(files) for number, files in named.items()}

    def contents(self) -> Contents:
        """Everything that was exported."""
        return Contents(
            tuple(self._version(row) for row in _rows(self.files["returns.csv"])),
            tuple(self._filed(row) for row in _rows(self.files["forecasts.csv"])),
            tuple(
                Anonymised(
                    datetime.fromisoformat(row["done_at"]),
                    date.fromisoformat(row["before"]),
                    int(row["persons"]),
                )
                for row in _rows(self.files["anonymised.csv"])
            ),
        )

    def _of(self, name: str, number: str) -> list[dict[str, str]]:
        return [row for row in _rows(self.files[name]) if row["number"] == number]

    def _version(self, row: Mapping[str, str]) -> Version:
        week = date.fromisoformat(row["week"])
        ret = self._return(week, _return_folder(int(row["number"]), week))
        if ret.digest != row["digest"]:
            raise ValueError(f"return {row['number']} says something else")
        warnings = [
            Problem(**{name: each[name] for name in _WARNINGS[1:]})
            for each in self._of("warnings.csv", row["number"])
        ]
        crossings = [
            Crossing(
                each["person"],
                tuple(date.fromisoformat(day) for day in each["days"].split()),
                float(each["hours"]),
                each["limit"],
                each["sentence"],
            )
            for each in self._of("crossings.csv", row["number"])
        ]
        return Version(
            number=int(row["number"]),
            recorded_at=datetime.fromisoformat(row["recorded_at"]),
            ret=ret,
            correction=row["correction"] == "yes",
            reason=row["reason"],
            warnings=tuple(warnings),
            crossings=tuple(crossings),
            inputs=self._inputs.get(int(row["inputs"]), Inputs({})),
        )

    def _return(self, week: date, folder: str) -> WeeklyReturn:
        told = [sheet for sheet in SHEETS if f"{folder}/{sheet}.csv" in self.files]
        rows: dict[str, Any] = {
            sheet: tuple(
                _noun(sheet, row)
                for row in _rows(self.files[f"{folder}/{sheet}.csv"])
                if row != none_row(sheet, week)
            )
            for sheet in told
        }
        return WeeklyReturn(week, frozenset(told), **rows)

    def _filed(self, row: Mapping[str, str]) -> Filed:
        week = date.fromisoformat(row["week"])
        folder = _forecast_folder(int(row["number"]), week)
        draws = self.files.get(f"{folder}/draws.csv")
        return Filed(
            week=week,
            as_of=date.fromisoformat(row["as_of"]),
            issued_at=datetime.fromisoformat(row["issued_at"]),
            seed=int(row["seed"]),
            replications=int(row["replications"]),
            version=row["version"],
            input_sha256=row["input_sha256"],
            results=self.files[f"{folder}/results.json"].decode(),
            draws=_draws(draws, date.fromisoformat(row["first_day"])) if draws else b"",
            why=self.files.get(f"{folder}/why.json", b"").decode(),
            known=tuple(int(number) for number in row["known"].split()),
            inputs=self._inputs.get(int(row["inputs"]), Inputs({})),
        )


def _draws(content: bytes, start: date) -> bytes:
    columns, *lines = csv.reader(io.StringIO(content.decode(), newline=""))
    finish = [
        (date.fromisoformat(line[1]) - start).days if line[1] else NOT_BY_HORIZON for line in lines
    ]
    weeks = tuple(date.fromisoformat(week) for week in columns[2:])
    done = [[int(items) for items in line[2:]] for line in lines]
    shape = len(lines), len(weeks)
    return Draws(
        start,
        weeks,
        np.array(finish, np.int64),
        np.array(done, np.int64).reshape(shape),
    ).to_bytes()


# Cells to what they were: the inverse of WeeklyReturn.table

_NOUNS: dict[str, type[Any]] = {
    "counts": Count,
    "hours": Hours,
    "exposure": ExposureDay,
    "days": WorkedDay,
    "drying": DryingBatch,
    "received": Received,
    "notes": Note,
}
_COLUMN = {"day": "date"}  # of a field, where the two differ


def _stage(text: str) -> Stage | None:
    return None if text in ("", AWAY) else Stage(STAGE_NAMES.index(text))


_VALUES: dict[str, Callable[[str], Any]] = {
    "stage": _stage,
    "mould": lambda text: Mould(MOULD_NAMES.index(text)) if text else None,
    "red_rot": lambda text: {"yes": True, "no": False, "": None}[text],
    **dict.fromkeys(("material", "series", "box"), lambda text: text or None),
    **dict.fromkeys(
        ("items", "images", "rejected", "sessions", "still_damp"),
        lambda text: int(text) if text else None,
    ),
    **dict.fromkeys(("hours", "mould_hours"), lambda text: float(text) if text else None),
    **dict.fromkeys(
        ("day", "put_in", "taken_out"), lambda text: date.fromisoformat(text) if text else None
    ),
}


def _noun(sheet: str, row: Mapping[str, str]) -> Any:
    kind = _NOUNS[sheet]
    values = {
        f.name: _VALUES.get(f.name, str)(row[_COLUMN.get(f.name, f.name)]) for f in fields(kind)
    }
    return kind(**values)
