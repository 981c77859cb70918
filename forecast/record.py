"""The record: what a team told week by week, and the forecasts that were issued from it.

Nothing that was recorded is ever changed by recording: a correction stands beside what it
corrects. The record holds hours by person and stage and items by stage, and never both in one
row: no pace of one person can be told from it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime
from functools import cached_property
from hashlib import sha256
from pathlib import Path
from types import MappingProxyType, TracebackType
from typing import Any, Self

from forecast.cells import Findings
from forecast.database import Database, Transaction, open_address, open_file, open_nothing
from forecast.errors import ForecastError, InputError, Problem
from forecast.history import COUNTS_FROM, History
from forecast.items import MOULD_NAMES, Mould
from forecast.project import Project
from forecast.return_checks import Crossing
from forecast.rows import COLUMNS
from forecast.sheets import read_rows
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

__all__ = [
    "RECORD_FILE",
    "Added",
    "Anonymised",
    "Contents",
    "Entry",
    "Filed",
    "Inputs",
    "Record",
    "Version",
    "open_record",
]

RECORD_FILE = "record.sqlite"
WAIT_SECONDS = 30.0  # for somebody else's recording to end

_PLAIN_NAME = re.compile(r'[^\\:*?"<>|\x00-\x1f]+')

_ROWS: dict[str, type[Any]] = {
    "counts": Count,
    "hours": Hours,
    "exposure": ExposureDay,
    "days": WorkedDay,
    "drying": DryingBatch,
    "received": Received,
    "notes": Note,
}


# What is kept


@dataclass(frozen=True)
class Inputs:
    """A project's files as they were at a moment, name by name; stored once if they did not change.

    Raises:
        ValueError: a name is no plain path inside a folder.
    """

    files: Mapping[str, bytes]

    def __post_init__(self) -> None:
        for name in self.files:
            parts = name.split("/")
            if not _PLAIN_NAME.fullmatch(name) or any(p in ("", ".", "..") for p in parts):
                raise ValueError(f"{name!r} is no plain name of a file in a folder")
        object.__setattr__(self, "files", MappingProxyType(dict(sorted(self.files.items()))))

    @cached_property
    def checksum(self) -> str:
        """SHA-256 over names and bytes: a project's ``input_sha256`` if these are all its files."""
        total = sha256()
        for name, content in self.files.items():
            total.update(f"{name}\0{len(content)}\0".encode())
            total.update(content)
        return total.hexdigest()

    @cached_property
    def persons(self) -> tuple[str, ...]:
        """Everybody in team.csv, once; nobody where it is missing or cannot be read."""
        return _persons(self.files.get("team.csv", b""))


@dataclass(frozen=True)
class Version:
    """A return as it was recorded, once; a corrected week has several.

    Attributes:
        number: its place in the order of recording, from 1.
        recorded_at: in UTC.
        reason: why a correction was made, if told.
        warnings: what was doubtful about it, as shown when it was recorded.
        crossings: planning limits that it shows as crossed.
        inputs: the project's files as they were then.
    """

    number: int
    recorded_at: datetime
    ret: WeeklyReturn
    correction: bool
    reason: str
    warnings: tuple[Problem, ...]
    crossings: tuple[Crossing, ...]
    inputs: Inputs

    @property
    def week(self) -> date:
        """The Monday of the week that it tells of."""
        return self.ret.week


@dataclass(frozen=True)
class Filed:
    """A forecast as it was issued.

    Attributes:
        week: the Monday of the week after whose return it was made.
        as_of: it knew every return up to this date, and nothing later.
        issued_at: in UTC.
        version: of the program.
        input_sha256: of the project's files.
        results: JSON text.
        draws: what each future came to, as compressed bytes.
        why: why the date moved since the last one, as JSON text; "" where not told.
        known: numbers of the returns that it knew, in the order of their weeks.
        inputs: the project's files that it was made from.
    """

    week: date
    as_of: date
    issued_at: datetime
    seed: int
    replications: int
    version: str
    input_sha256: str
    results: str
    draws: bytes
    why: str = ""
    known: tuple[int, ...] = ()
    inputs: Inputs = Inputs(MappingProxyType({}))


@dataclass(frozen=True)
class Anonymised:
    """That names before a date were replaced by numbers; how many persons, not who."""

    done_at: datetime
    before: date
    persons: int


@dataclass(frozen=True)
class Contents:
    """Everything on record, in the order in which it came."""

    versions: tuple[Version, ...] = ()
    forecasts: tuple[Filed, ...] = ()
    anonymised: tuple[Anonymised, ...] = ()


@dataclass(frozen=True)
class Added:
    """What came of recording a return.

    Attributes:
        changed: whether anything was written; the same return twice changes nothing.
        number: of the return on record.
        corrected: number of the return that this one corrects, if any.
    """

    changed: bool
    number: int
    corrected: int | None = None


# Doing something with it


@dataclass(frozen=True)
class Entry:
    """A return that is being recorded: what else belongs to the same moment."""

    number: int
    inputs: Inputs
    _transaction: Transaction

    def history(self) -> History:
        """What is on record, with the return that is being recorded."""
        return _history(self._transaction, None)

    def issue(self, filed: Filed, based_on: History) -> int:
        """File a forecast with the return, which was made from ``based_on``.

        Args:
            filed: the forecast; what it knew and its inputs are filled in here.
            based_on: the returns that it was made from.

        Returns:
            Its number, from 1.

        Raises:
            ForecastError: meanwhile something else was recorded, which it does not know.
            ValueError: ``issued_at`` has no zone.
        """
        rows = self._transaction.rows("returns", ("number", "week", "digest"))
        until = filed.as_of - COUNTS_FROM
        latest = {row["week"]: row for row in rows if row["week"] <= until}
        known = [latest[week] for week in sorted(latest)]
        if [row["digest"] for row in known] != [each.digest for each in based_on.returns]:
            raise ForecastError(
                "While the forecast was made, somebody recorded another return. "
                "Nothing was recorded; record this return again."
            )
        whole = replace(
            filed,
            issued_at=_utc(filed.issued_at),
            known=tuple(row["number"] for row in known),
            inputs=self.inputs,
        )
        return _put_forecast(self._transaction, whole)


class Record:
    """A record that is open; made by :func:`open_record`. Every method is one transaction.

    Attributes:
        name: what people call it: the file, or the variable that names the database.
        exists: whether it has been begun. One that has not is empty and stays so.
        warnings: doubts about where it lies.
    """

    def __init__(
        self, database: Database, *, exists: bool, writes: bool, place: Path | None
    ) -> None:
        self._database = database
        self._writes = writes
        self.name = database.name
        self.exists = exists
        self.warnings = _doubts_about(place) if place else ()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file or the server."""
        self._database.close()

    # Reading

    def history(self, as_of: date | None = None, known_at: datetime | None = None) -> History:
        """The latest return of each week.

        Args:
            as_of: without those that do not count yet on this date (R19).
            known_at: as things stood at this moment, without what was recorded or corrected later.
        """
        with self._database.reading() as transaction:
            history = _history(transaction, known_at)
        return history if as_of is None else history.up_to(as_of)

    def versions(self, week: date | None = None) -> tuple[Version, ...]:
        """Every return, or those of a week, in the order in which they were recorded."""
        with self._database.reading() as transaction:
            return _versions(transaction, week)

    def issued(self) -> tuple[Filed, ...]:
        """Every forecast that was issued, in the order in which they were."""
        with self._database.reading() as transaction:
            return _forecasts(transaction)

    def persons_ever(self) -> tuple[str, ...]:
        """Everybody who was in the team when something was recorded, in alphabetical order."""
        with self._database.reading() as transaction:
            rows = transaction.rows("persons", ("person",))
        return tuple(sorted({row["person"] for row in rows}))

    def contents(self) -> Contents:
        """Everything, at one moment."""
        with self._database.reading() as transaction:
            return _contents(transaction)

    # Writing

    def add(
        self,
        ret: WeeklyReturn,
        *,
        inputs: Mapping[str, bytes],
        recorded_at: datetime,
        correction: bool = False,
        reason: str = "",
        warnings: Sequence[Problem] = (),
        crossings: Sequence[Crossing] = (),
        also: Callable[[Entry], object] | None = None,
    ) -> Added:
        """Record a return and whatever belongs to it, all of it or nothing.

        Args:
            ret: the return. If it says the same as what is on record of its week, nothing happens.
            inputs: the project's files as they are, by name.
            recorded_at: now, with its zone.
            correction: it takes the place of what is on record of its week, which is kept.
            reason: why, if told.
            warnings: what is doubtful about it; kept beside it.
            crossings: limits that it shows as crossed; kept beside it, and no reason to refuse.
            also: called before all of it is final, to issue a forecast; if it raises, nothing
                was recorded.

        Raises:
            InputError: the week is on record and this is no correction, or the other way round.
            ForecastError: the record cannot be written; nothing was recorded.
            ValueError: ``recorded_at`` has no zone, or an input no plain name.
        """
        files = Inputs(inputs)
        version = Version(
            0, _utc(recorded_at), ret, correction, reason, tuple(warnings), tuple(crossings), files
        )
        with self._writing() as transaction:
            before = transaction.rows(
                "returns", ("number", "digest", "recorded_at"), week=ret.week
            )
            if before and before[-1]["digest"] == ret.digest:
                return Added(False, before[-1]["number"])
            self._refuse_if_misunderstood(version, before)
            number = transaction.next_number("returns")
            _put_return(transaction, replace(version, number=number), len(before) + 1)
            # What could not be read back as it was told is not recorded.
            if _returns(transaction, [number])[number] != ret:
                raise ForecastError(f"{self.name}: it does not keep this return as it is told.")
            if also is not None:
                also(Entry(number, files, transaction))
        return Added(True, number, before[-1]["number"] if before else None)

    def fill(self, contents: Contents) -> None:
        """Write everything into an empty record, all of it or nothing.

        Raises:
            InputError: the record is not empty.
            ForecastError: the record cannot be written; it is still empty.
        """
        with self._writing() as transaction:
            if transaction.rows("returns", ("number",)):
                raise InputError(
                    [
                        Problem(
                            self.name,
                            "",
                            "a record with returns",
                            "an empty record to put an export into",
                            "Give a project folder without a record.",
                        )
                    ]
                )
            _fill(transaction, contents)

    def rewrite(self, change: Callable[[Contents], Contents]) -> None:
        """Replace everything on record, all of it or nothing; for taking names out.

        Args:
            change: from all that is on record to what is to be instead; if it raises, nothing
                changed. The same object: nothing is to change. Nobody else writes meanwhile.

        Raises:
            ForecastError: the record cannot be written; nothing changed. Or everything was
                replaced, and unused space may still hold what was there.
        """
        with self._writing() as transaction:
            before = _contents(transaction)
            after = change(before)
            if after is not before:
                transaction.clear()
                _fill(transaction, after)
        try:
            self._database.compact()
        except ForecastError:
            raise ForecastError(
                f"{self.name}: done; but unused space may still hold what was replaced, because "
                "there is no room to write it anew, or somebody else is reading. Do it once more."
            ) from None

    def _writing(self) -> Any:
        if not self._writes:
            raise ForecastError(f"{self.name}: it was opened for reading only.")
        return self._database.writing()

    def _refuse_if_misunderstood(self, new: Version, before: Sequence[Mapping[str, Any]]) -> None:
        """Corrections are of what is there, everything else is of what is not."""
        if new.correction == bool(before):
            return
        place = f"week {new.week.isoformat()}"
        if not before:
            problem = Problem(
                self.name,
                place,
                "nothing yet",
                "a return of that week to correct",
                "Check the week; if it is right, record it without --correction.",
            )
            raise InputError([problem])
        last = before[-1]["recorded_at"]
        again = any(row["digest"] == new.ret.digest for row in before)
        problem = Problem(
            self.name,
            place,
            f"a return recorded on {last:%Y-%m-%d at %H:%M} UTC"
            + (" in the place of this one" if again else ""),
            "a week that is not on record yet, or a correction",
            "If these figures are to take the place of those, record them with --correction: "
            "what is on record is kept beside them.",
        )
        raise InputError([problem])


def open_record(
    folder: Path, project: Project, *, create: bool, wait_seconds: float = WAIT_SECONDS
) -> Record:
    """Open a project's record: ``record.sqlite`` in its folder, or the database it names.

    Args:
        folder: the project folder.
        project: ``record_url_from`` is the name of the environment variable that holds the
            address of a PostgreSQL database, which belongs to this project alone.
        create: begin the record where there is none, and allow writing. Without it the record can
            only be read, and one that has not been begun reads as empty.
        wait_seconds: how long to wait for somebody else's recording to end.

    Raises:
        InputError: the variable is missing or not an address; or what is there is no record,
            damaged, or of a later version of the program. Nothing was changed.
        ForecastError: it cannot be opened, or an older one not be brought up to date.
    """
    variable = project.record_url_from
    if variable:
        address = os.environ.get(variable, "").strip()
        if not address:
            raise InputError([_unset(variable)])
        found = open_address(address, variable, write=create, wait_seconds=wait_seconds)
        name = f"the database of {variable}"
    else:
        found = open_file(Path(folder) / RECORD_FILE, write=create, wait_seconds=wait_seconds)
        name = RECORD_FILE
    database = found or open_nothing(name)
    place = None if variable else Path(folder)
    return Record(database, exists=found is not None, writes=create, place=place)


def _unset(variable: str) -> Problem:
    return Problem(
        "project.toml",
        "[record] url_from",
        variable,
        "an environment variable that holds the address of a database",
        "Set it before starting, or take the line out: then the record is a file in the folder.",
    )


# Names of the folders in which programs keep copies of a person's files on several machines.
_SYNCHRONISED = re.compile(
    r"onedrive|dropbox|google ?drive|googledrive|my drive|icloud|mobile documents|"
    r"com~apple~clouddocs|cloudstorage|nextcloud|owncloud",
    re.IGNORECASE,
)


def _doubts_about(folder: Path) -> tuple[Problem, ...]:
    found = next((part for part in folder.absolute().parts if _SYNCHRONISED.match(part)), None)
    if found is None:
        return ()
    return (
        Problem(
            RECORD_FILE,
            "",
            found,
            "a folder that no program copies while it is being written",
            "Two people who record at once in a synchronised folder may lose one of the two: let "
            "one person record at a time, wait until it is synchronised, and export often; or "
            "keep the folder elsewhere, or the record in a database.",
        ),
    )


def _utc(moment: datetime) -> datetime:
    if moment.tzinfo is None:
        raise ValueError("a moment without its zone could be any of 24 hours")
    return moment.astimezone(UTC)


def _persons(team: bytes) -> tuple[str, ...]:
    rows = read_rows("team.csv", team, ("person",), _OTHER_COLUMNS, Findings())
    return tuple(dict.fromkeys(row.cell("person") for row in rows if row.cell("person")))


_OTHER_COLUMNS = tuple(name for names in COLUMNS["team.csv"] for name in names if name != "person")


# Into the tables


def _stored(row: Any) -> dict[str, Any]:
    """A row of a return as a table has it, name by name."""
    values = {field.name: getattr(row, field.name) for field in fields(row)}
    if isinstance(row, Hours | WorkedDay) and row.stage is None:
        values["stage"] = AWAY
    elif isinstance(values.get("stage"), Stage):
        values["stage"] = STAGE_NAMES[values["stage"]]
    if isinstance(values.get("mould"), Mould):
        values["mould"] = MOULD_NAMES[values["mould"]]
    if isinstance(row, Crossing):
        values["days"] = " ".join(day.isoformat() for day in row.days)
    return values


def _numbered(number: int, rows: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    return [{"return_number": number, "line": line, **row} for line, row in enumerate(rows)]


def _put_return(transaction: Transaction, version: Version, of_its_week: int) -> None:
    ret = version.ret
    row = {
        "number": version.number,
        "week": ret.week,
        "version": of_its_week,
        "recorded_at": version.recorded_at,
        "correction": version.correction,
        "reason": version.reason,
        "digest": ret.digest,
        "told": " ".join(name for name in SHEETS if name in ret.told),
        "inputs_number": _put_inputs(transaction, version.inputs),
    }
    transaction.insert("returns", [row])
    for sheet in SHEETS:
        rows = map(_stored, getattr(ret, sheet))
        transaction.insert(sheet, _numbered(version.number, rows))
    transaction.insert("warnings", _numbered(version.number, map(_stored, version.warnings)))
    transaction.insert("crossings", _numbered(version.number, map(_stored, version.crossings)))


def _put_inputs(transaction: Transaction, inputs: Inputs) -> int:
    """The number under which these files are stored; they are, if they were not yet."""
    there = transaction.rows("inputs", ("number",), sha256=inputs.checksum)
    if there:
        return int(there[0]["number"])
    number = transaction.next_number("inputs")
    transaction.insert("inputs", [{"number": number, "sha256": inputs.checksum}])
    sums = {name: sha256(content).hexdigest() for name, content in inputs.files.items()}
    kept = transaction.rows("files", ("sha256",), sha256=list(sums.values()))
    known = {row["sha256"] for row in kept}
    new = {sums[name]: inputs.files[name] for name in sums if sums[name] not in known}
    transaction.insert("files", [{"sha256": key, "content": new[key]} for key in new])
    if sums.get("team.csv") in new:
        people = [
            {"sha256": sums["team.csv"], "line": line, "person": person}
            for line, person in enumerate(inputs.persons)
        ]
        transaction.insert("persons", people)
    names = [{"inputs_number": number, "name": n, "sha256": key} for n, key in sums.items()]
    transaction.insert("input_files", names)
    return number


def _put_forecast(transaction: Transaction, filed: Filed) -> int:
    number = transaction.next_number("forecasts")
    values = {f.name: getattr(filed, f.name) for f in fields(filed)}
    known = values.pop("known")
    values["inputs_number"] = _put_inputs(transaction, values.pop("inputs"))
    transaction.insert("forecasts", [{"number": number, **values}])
    links = [{"forecast_number": number, "return_number": each} for each in known]
    transaction.insert("forecast_returns", links)
    return number


def _fill(transaction: Transaction, contents: Contents) -> None:
    weeks: dict[date, int] = {}
    for version in contents.versions:
        weeks[version.week] = weeks.get(version.week, 0) + 1
        _put_return(transaction, version, weeks[version.week])
    for filed in contents.forecasts:
        _put_forecast(transaction, filed)
    rows = [{"number": n, **_stored(each)} for n, each in enumerate(contents.anonymised, 1)]
    transaction.insert("anonymised", rows)


# Out of the tables


def _loaded(kind: type[Any], row: Mapping[str, Any]) -> Any:
    """A row of a table as the noun that it was."""
    values = {field.name: row[field.name] for field in fields(kind)}
    if values.get("stage") == AWAY:
        values["stage"] = None
    elif values.get("stage") is not None:
        values["stage"] = Stage(STAGE_NAMES.index(values["stage"]))
    if values.get("mould") is not None:
        values["mould"] = Mould(MOULD_NAMES.index(values["mould"]))
    if kind is Crossing:
        values["days"] = tuple(date.fromisoformat(day) for day in values["days"].split())
    return kind(**values)


def _by_return(
    transaction: Transaction, table: str, kind: type[Any], numbers: Sequence[int]
) -> dict[int, tuple[Any, ...]]:
    found: dict[int, list[Any]] = {number: [] for number in numbers}
    for row in transaction.rows(table, return_number=numbers):
        found[row["return_number"]].append(_loaded(kind, row))
    return {number: tuple(rows) for number, rows in found.items()}


def _returns(transaction: Transaction, numbers: Sequence[int]) -> dict[int, WeeklyReturn]:
    """Returns by their numbers."""
    rows = transaction.rows("returns", ("number", "week", "told"), number=numbers)
    sheets = {n: _by_return(transaction, n, kind, numbers) for n, kind in _ROWS.items()}
    return {
        row["number"]: WeeklyReturn(
            row["week"],
            frozenset(row["told"].split()),
            **{name: of[row["number"]] for name, of in sheets.items()},
        )
        for row in rows
    }


def _latest(transaction: Transaction, known_at: datetime | None) -> dict[date, int]:
    """The number of the return that counts, week by week."""
    rows = transaction.rows("returns", ("number", "week", "recorded_at"))
    until = None if known_at is None else _utc(known_at)
    return {row["week"]: row["number"] for row in rows if not until or row["recorded_at"] <= until}


def _history(transaction: Transaction, known_at: datetime | None) -> History:
    numbers = list(_latest(transaction, known_at).values())
    return History.of(_returns(transaction, numbers).values())


def _inputs(transaction: Transaction) -> dict[int, Inputs]:
    """All that are stored, by number; a file that several share is held once."""
    contents = {row["sha256"]: row["content"] for row in transaction.rows("files")}
    files: dict[int, dict[str, bytes]] = {
        row["number"]: {} for row in transaction.rows("inputs", ("number",))
    }
    for row in transaction.rows("input_files"):
        files[row["inputs_number"]][row["name"]] = contents[row["sha256"]]
    return {number: Inputs(named) for number, named in files.items()}


def _versions(transaction: Transaction, week: date | None) -> tuple[Version, ...]:
    of_week = {} if week is None else {"week": week}
    rows = transaction.rows("returns", **of_week)
    numbers = [row["number"] for row in rows]
    returns = _returns(transaction, numbers)
    warnings = _by_return(transaction, "warnings", Problem, numbers)
    crossings = _by_return(transaction, "crossings", Crossing, numbers)
    inputs = _inputs(transaction) if rows else {}
    return tuple(
        Version(
            number=row["number"],
            recorded_at=row["recorded_at"],
            ret=returns[row["number"]],
            correction=row["correction"],
            reason=row["reason"],
            warnings=warnings[row["number"]],
            crossings=crossings[row["number"]],
            inputs=inputs[row["inputs_number"]],
        )
        for row in rows
    )


def _forecasts(transaction: Transaction) -> tuple[Filed, ...]:
    rows = transaction.rows("forecasts")
    weeks = {row["number"]: row["week"] for row in transaction.rows("returns", ("number", "week"))}
    known: dict[int, list[int]] = {row["number"]: [] for row in rows}
    for link in transaction.rows("forecast_returns"):
        known[link["forecast_number"]].append(link["return_number"])
    inputs = _inputs(transaction) if rows else {}
    plain = [f.name for f in fields(Filed) if f.name not in ("known", "inputs")]
    return tuple(
        Filed(
            **{name: row[name] for name in plain},
            known=tuple(sorted(known[row["number"]], key=weeks.__getitem__)),
            inputs=inputs[row["inputs_number"]],
        )
        for row in rows
    )


def _contents(transaction: Transaction) -> Contents:
    rows = transaction.rows("anonymised")
    return Contents(
        _versions(transaction, None),
        _forecasts(transaction),
        tuple(Anonymised(row["done_at"], row["before"], row["persons"]) for row in rows),
    )
