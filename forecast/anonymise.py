"""Names out of what is on record from before a date: persons become numbers.

Whole weeks before the date are changed: their returns with corrections, warnings and crossings,
the stored inputs that belong to them, and the names in their forecasts' results. Hours, items and
dates stay, and so do all totals. Who became which number is not kept anywhere.
"""

from __future__ import annotations

import csv
import io
import json
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from random import SystemRandom
from typing import Any, TypeVar
from unicodedata import normalize

from forecast.errors import InputError, Problem
from forecast.export import write_contents
from forecast.folder import SCENARIOS_FILE
from forecast.record import Anonymised, Contents, Filed, Inputs, Record, Version
from forecast.return_checks import Crossing
from forecast.weekly import ExposureDay, Hours, WeeklyReturn, WorkedDay

__all__ = ["anonymise"]

R = TypeVar("R", Hours, ExposureDay, WorkedDay, Crossing)

_NUMBERED = re.compile(r"person (\d+)")
_FREE_TEXT = ("role", "source", "note", "reason")  # columns in which people write what they like
_PERSON = "person"


def anonymise(record: Record, before: date, export_to: Path, *, done_at: datetime) -> int:
    """Replace persons by numbers in every week that was over before a date.

    Args:
        record: open for writing.
        before: weeks whose Sunday is before it.
        export_to: a new folder, into which everything is exported first, with the names.
        done_at: now, with its zone.

    Returns:
        How many persons became numbers. 0: there were none; nothing was written, nor exported.

    Raises:
        InputError: the last week on record is among them: whoever was exposed to mould in it is
            still needed by the next forecast. Or ``export_to`` is there already.
        ForecastError: the export or the record cannot be written. Nothing was changed.
    """
    count = 0

    def change(contents: Contents) -> Contents:
        nonlocal count
        _refuse_the_last_week(contents, before)
        names = _names(contents, before)
        count = len(names)
        if not names:
            return contents
        write_contents(contents, export_to)
        order = sorted(names)
        SystemRandom().shuffle(order)  # an order of any kind would tell who is who
        first = max(_numbers(contents), default=0) + 1
        numbers = {name: f"person {n}" for n, name in enumerate(order, first)}
        replaced = _Replacing(numbers, before).contents(contents)
        done = Anonymised(done_at, before, count)
        return replace(replaced, anonymised=(*contents.anonymised, done))

    record.rewrite(change)
    return count


def _over(week: date, before: date) -> bool:
    return (before - week).days >= 7


def _refuse_the_last_week(contents: Contents, before: date) -> None:
    last = max((each.week for each in contents.versions), default=None)
    if last is not None and _over(last, before):
        remedy = f"Give {last.isoformat()} or an earlier date."
        expected = "a date that leaves the last week on record as it is: exposure limits look back"
        raise InputError([Problem("--before", "", before.isoformat(), expected, remedy)])


def _names(contents: Contents, before: date) -> set[str]:
    """Everybody that is named before a date and is not a number yet."""
    versions = [each for each in contents.versions if _over(each.week, before)]
    forecasts = [each for each in contents.forecasts if _over(each.week, before)]
    found = _persons(versions, forecasts)
    found |= {name for filed in forecasts for name in _exposure_of(filed.results)}
    return {name for name in found if not _NUMBERED.fullmatch(name)}


def _numbers(contents: Contents) -> list[int]:
    """Numbers that stand for somebody already."""
    found = _persons(contents.versions, contents.forecasts)
    return [int(match[1]) for match in map(_NUMBERED.fullmatch, found) if match]


def _persons(versions: Sequence[Version], forecasts: Sequence[Filed]) -> set[str]:
    """Whoever stands in a person's place."""
    found = {name for each in versions for name in each.ret.persons}
    found |= {crossing.person for each in versions for crossing in each.crossings}
    everything: list[Version | Filed] = [*versions, *forecasts]
    for inputs in {each.inputs.checksum: each.inputs for each in everything}.values():
        for name, content in inputs.files.items():
            if name.endswith(".csv"):
                found |= _Sheet.read(name, content).persons
            elif name == SCENARIOS_FILE:
                found |= _in_scenarios(content)
    return found - {""}


def _in_scenarios(content: bytes) -> set[str]:
    """Whoever stands in a what-if: also somebody whom only a what-if would take on."""
    try:
        values = tomllib.loads(content.decode("utf-8-sig"))
    except ValueError:  # it was no TOML; of its texts, all known names are replaced
        return set()
    return set(_told_persons(values))


def _told_persons(value: object) -> Iterator[str]:
    if isinstance(value, list):
        for each in value:
            yield from _told_persons(each)
    elif isinstance(value, dict):
        for key, each in value.items():
            if key in (_PERSON, "like") and isinstance(each, str):
                yield _plain(each)
            else:
                yield from _told_persons(each)


def _exposure_of(results: str) -> list[str]:
    values = json.loads(results) if results else {}
    exposure = values.get("exposure") if isinstance(values, dict) else None
    return list(exposure) if isinstance(exposure, dict) else []


def _plain(cell: str) -> str:
    """A name as a project reads it."""
    return normalize("NFC", cell).strip()


@dataclass(frozen=True)
class _Sheet:
    """A CSV file as its cells; a comment is its text."""

    mark: str  # a byte order mark, or nothing
    separator: str
    lines: list[list[str] | str]

    @classmethod
    def read(cls, name: str, content: bytes) -> _Sheet:
        """The cells of a file, which was read as part of a project before."""
        try:
            text = content.decode("utf-8")
        except UnicodeDecodeError:
            remedy = "It was stored as it is: tell who looks after the program."
            raise InputError([Problem(name, "", "", "text in UTF-8", remedy)]) from None
        mark = "\ufeff" if text.startswith("\ufeff") else ""
        lines = list(io.StringIO(text.removeprefix(mark), newline=None))
        told = (line for line in lines if line.strip() and not line.startswith(("#", '"#')))
        first = next(told, "")
        separator = ";" if first.count(";") > first.count(",") else ","
        # A comment may hold a quotation mark without its partner.
        reader = csv.reader(
            ["\n" if line.startswith("#") else line for line in lines], delimiter=separator
        )
        found: list[list[str] | str] = []
        for cells in reader:
            line = lines[reader.line_num - 1]
            found.append(line if not cells and line.startswith("#") else cells)
        return cls(mark, separator, found)

    @cached_property
    def _header(self) -> int:
        return next((n for n, cells in enumerate(self.lines) if _told(cells)), len(self.lines))

    @property
    def persons(self) -> set[str]:
        """Whoever stands in a column for persons."""
        rows = [cells for cells in self.lines[self._header + 1 :] if _told(cells)]
        at = self.columns((_PERSON,))
        return {_plain(cells[n]) for cells in rows for n in at if n < len(cells)}

    def columns(self, names: Sequence[str]) -> list[int]:
        """Where these columns stand."""
        header: Sequence[str] = self.lines[self._header] if self._header < len(self.lines) else ()
        return [n for n, cell in enumerate(header) if cell.strip().casefold() in names]

    def replaced(self, person: Callable[[str], str], text: Callable[[str], str]) -> bytes:
        """With other persons, and with other words in comments and in free text."""
        persons, free = self.columns((_PERSON,)), self.columns(_FREE_TEXT)
        out = io.StringIO(newline="")
        writer = csv.writer(out, delimiter=self.separator, lineterminator="\n")
        for number, cells in enumerate(self.lines):
            if isinstance(cells, str):
                out.write(text(cells))
            elif number == self._header:
                writer.writerow(cells)
            elif not _told(cells):
                writer.writerow([text(cell) for cell in cells])
            else:
                changed = [
                    person(cell) if at in persons else text(cell) if at in free else cell
                    for at, cell in enumerate(cells)
                ]
                writer.writerow(changed)
        return (self.mark + out.getvalue()).encode()


def _told(cells: Sequence[str]) -> bool:
    """Whether a line says something to the program."""
    return not isinstance(cells, str) and any(cells) and not cells[0].startswith("#")


@dataclass(frozen=True)
class _Replacing:
    """Puts numbers in the place of names, in weeks before a date."""

    numbers: Mapping[str, str]
    before: date
    _done: dict[str, Inputs] = field(default_factory=dict)  # by the checksum of what was there

    @cached_property
    def _words(self) -> re.Pattern[str]:
        names = sorted(self.numbers, key=len, reverse=True)
        return re.compile(rf"(?<!\w)(?:{'|'.join(map(re.escape, names))})(?!\w)")

    def _person(self, name: str) -> str:
        return self.numbers.get(_plain(name), name)

    def _text(self, text: str) -> str:
        return self._words.sub(lambda match: self.numbers[match[0]], normalize("NFC", text))

    def _named(self, row: R) -> R:
        return replace(row, person=self._person(row.person))

    def contents(self, contents: Contents) -> Contents:
        """Everything, with numbers where a week was over before the date."""
        return replace(
            contents,
            versions=tuple(
                self._version(each) if _over(each.week, self.before) else each
                for each in contents.versions
            ),
            forecasts=tuple(
                self._filed(each) if _over(each.week, self.before) else each
                for each in contents.forecasts
            ),
        )

    def _version(self, version: Version) -> Version:
        return replace(
            version,
            ret=self._return(version.ret),
            reason=self._text(version.reason),
            warnings=tuple(self._problem(each) for each in version.warnings),
            crossings=tuple(
                replace(self._named(each), sentence=self._text(each.sentence))
                for each in version.crossings
            ),
            inputs=self._inputs(version.inputs),
        )

    def _return(self, ret: WeeklyReturn) -> WeeklyReturn:
        return replace(
            ret,
            hours=tuple(map(self._named, ret.hours)),
            exposure=tuple(map(self._named, ret.exposure)),
            days=tuple(map(self._named, ret.days)),
            notes=tuple(replace(each, note=self._text(each.note)) for each in ret.notes),
        )

    def _problem(self, problem: Problem) -> Problem:
        return Problem(
            problem.file,
            self._text(problem.place),
            self._text(problem.read),
            self._text(problem.expected),
            self._text(problem.remedy),
        )

    def _inputs(self, inputs: Inputs) -> Inputs:
        if inputs.checksum not in self._done:
            changed = {name: self._file(name, data) for name, data in inputs.files.items()}
            self._done[inputs.checksum] = Inputs(changed)
        return self._done[inputs.checksum]

    def _file(self, name: str, content: bytes) -> bytes:
        if name.endswith(".csv"):
            return _Sheet.read(name, content).replaced(self._person, self._text)
        text = content.decode("utf-8", "surrogateescape")
        if name.endswith(".toml"):
            text = _TOML_WORDS.sub(lambda match: self._text(match[0]), text)
        else:
            text = self._text(text)
        return text.encode("utf-8", "surrogateescape")

    def _filed(self, filed: Filed) -> Filed:
        return replace(
            filed,
            results=self._json(filed.results),
            why=self._json(filed.why),
            inputs=self._inputs(filed.inputs),
        )

    def _json(self, text: str) -> str:
        if not text:
            return text
        values = json.loads(text)
        changed = self._values(values)
        return text if changed == values else json.dumps(changed, ensure_ascii=False)

    def _values(self, value: Any, *, of_persons: bool = False) -> Any:
        if isinstance(value, str):
            return self._text(value)
        if isinstance(value, list):
            return [self._values(each) for each in value]
        if isinstance(value, dict):
            return {
                self._person(key) if of_persons else key: self._values(
                    each, of_persons=key == "exposure"
                )
                for key, each in value.items()
            }
        return value


# Text and comments of a TOML file; its keys are the program's, and numbers name nobody.
_TOML_WORDS = re.compile(
    r'"""(?:.|\n)*?"""|\'\'\'(?:.|\n)*?\'\'\'|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|#[^\n]*'
)
