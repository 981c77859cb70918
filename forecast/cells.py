"""Values as people write them: numbers, dates, times, flags and names, or what is wrong with them.

A parser raises :class:`CellError`; whoever knows the place (a row, a key) notes it in
:class:`Findings`, so that reading goes on and all problems come in one go.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import date
from difflib import get_close_matches

from forecast.errors import Problem
from forecast.stages import STAGE_NAMES, Stage

__all__ = [
    "CellError",
    "Findings",
    "Limits",
    "guard",
    "nearest",
    "parse_choice",
    "parse_date",
    "parse_flag",
    "parse_number",
    "parse_stage",
    "parse_time",
    "shorten",
    "unguard",
]

_LONGEST_READ = 60  # characters of a value that a message repeats
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_ISO_DATE = re.compile(r"(\d{4})-(\d{2})-(\d{2})", re.ASCII)
_OTHER_DATE = re.compile(r"(\d{1,2})[/.-](\d{1,2})[/.-](\d{2}|\d{4})", re.ASCII)
_TIME = re.compile(r"(\d{1,2}):(\d{2})(:00)?", re.ASCII)
_YEARS = range(1990, 2200)  # a year outside is a slip of the finger
_LIKE_A_FORMULA = ("=", "+", "-", "@", "#")
_GUARDED = re.compile(r"'[=+\-@#']")


class CellError(ValueError):
    """A value that is not what it should be: what is expected, and what to do."""

    def __init__(self, expected: str, remedy: str) -> None:
        self.expected = expected
        self.remedy = remedy
        super().__init__(f"expected {expected}. {remedy}")


def shorten(text: str) -> str:
    """A value as a message repeats it: one line of at most 60 characters."""
    line = " ".join(text.split())
    return line if len(line) <= _LONGEST_READ else line[: _LONGEST_READ - 3] + "..."


def guard(text: str) -> str:
    """Text for a CSV cell that no spreadsheet takes for a formula, and no reader for a comment.

    >>> guard("=1+1"), unguard(guard("=1+1"))
    ("'=1+1", '=1+1')
    """
    guarded = text.startswith(_LIKE_A_FORMULA) or _GUARDED.match(text)
    return f"'{text}" if guarded else text


def unguard(text: str) -> str:
    """What :func:`guard` was given; other text stays as it is."""
    return text[1:] if _GUARDED.match(text) else text


def nearest(word: str, options: Iterable[str]) -> str:
    """A sentence that names the nearest right name, or all of them when none is near."""
    names = list(options)
    by_folded = {name.casefold(): name for name in names}
    near = get_close_matches(word.casefold(), by_folded, n=1, cutoff=0.6)
    if near:
        return f"Did you mean {by_folded[near[0]]}?"
    shown = ", ".join(names[:15]) + (", ..." if len(names) > 15 else "")
    return f"Choose one of: {shown}." if names else "There is none to choose from yet."


@dataclass
class Findings:
    """What reading has brought to light so far: problems, and the defaults that were used."""

    problems: list[Problem] = field(default_factory=list)
    defaults: list[str] = field(default_factory=list)

    def add(self, file: str, place: str, read: str, expected: str, remedy: str) -> None:
        """Note a problem."""
        self.problems.append(Problem(file, place, shorten(read), expected, remedy))

    def assume(self, place: str) -> None:
        """Note a default that a forecast relies on, once."""
        if place not in self.defaults:
            self.defaults.append(place)

    def faulty(self, *files: str) -> bool:
        """Whether one of these files has a problem: then its totals say nothing."""
        return any(problem.file in files for problem in self.problems)


@dataclass(frozen=True)
class Limits:
    """The numbers that are possible. ``above`` leaves the lower limit itself out."""

    low: float = 0.0
    high: float = 1e9
    whole: bool = False
    above: bool = False

    @property
    def words(self) -> str:
        """The limits in plain words."""
        kind = "a whole number" if self.whole else "a number"
        if self.above:
            return f"{kind} above {self.low:,.10g} and at most {self.high:,.10g}"
        return f"{kind} from {self.low:,.10g} to {self.high:,.10g}"

    def check(self, value: float) -> float:
        """The value, if it is possible.

        Raises:
            CellError: it is not (also NaN, which compares with nothing).
        """
        inside = self.low <= value <= self.high and not (self.above and value == self.low)
        if not inside or (self.whole and value != int(value)):
            raise CellError(self.words, "Correct the number.")
        return value


def parse_number(text: str, limits: Limits, decimal_comma: bool = False) -> float:
    """A number within its limits. A decimal comma is understood only where it is said to be."""
    if not text:
        raise CellError(limits.words, "Fill in the number.")
    plain = text.replace(",", ".") if decimal_comma and text.count(",") == 1 else text
    if "." in text and "," in text:
        plain = text  # 1.234,5: a mark between thousands, which is never understood
    if _NUMBER.fullmatch(plain):
        return limits.check(float(plain))
    if "," in text and not decimal_comma:
        remedy = "Write it with a full stop and without marks between thousands, such as 1234.5."
    else:
        remedy = "Write digits only, without units, marks between thousands or words."
    raise CellError(limits.words, remedy)


def parse_date(text: str) -> date:
    """A date as year-month-day; any other order of the three is refused, as it may be misread."""
    match = _ISO_DATE.fullmatch(text)
    if match:
        year, month, day = (int(part) for part in match.groups())
        try:
            found = date(year, month, day)
        except ValueError:
            raise CellError("a date that exists", "Correct the day or the month.") from None
        if year not in _YEARS:
            raise CellError("a date of this century", "Correct the year.")
        return found
    raise CellError("a date as year-month-day", _date_remedy(text))


def _date_remedy(text: str) -> str:
    """What to write instead of a date in another order."""
    match = _OTHER_DATE.fullmatch(text)
    if not match:
        return "Write the date like 2026-03-09 (the ninth of March)."
    first, second, year = (int(part) for part in match.groups())
    year += 2000 if year < 100 else 0
    readings = []
    for month, day in ((second, first), (first, second)):
        try:
            readings.append(date(year, month, day).isoformat())
        except ValueError:
            continue
    readings = list(dict.fromkeys(readings))
    if len(readings) == 2:
        return f"This may be two different days: write {readings[0]} or {readings[1]}."
    return f"Write {readings[0]}." if readings else "Write the date like 2026-03-09."


def parse_time(text: str) -> int:
    """A time of day as seconds after midnight."""
    match = _TIME.fullmatch(text)
    if match and int(match[1]) < 24 and int(match[2]) < 60:
        return int(match[1]) * 3_600 + int(match[2]) * 60
    raise CellError("a time of day from 00:00 to 23:59", "Write hours and minutes, such as 09:00.")


def parse_flag(text: str) -> bool:
    """Yes or no."""
    if text.casefold() in ("yes", "no"):
        return text.casefold() == "yes"
    raise CellError("yes or no", "Write yes or no.")


def parse_choice(text: str, options: Collection[str], what: str) -> str:
    """One of some names; ``what`` says what they are, e.g. "a material of collection.csv"."""
    if text in options:
        return text
    if not text:
        raise CellError(what, "Fill in the cell.")
    raise CellError(what, nearest(text, options))


def parse_stage(text: str, quarantine_because: str = "") -> Stage:
    """A stage by its name. With a reason, quarantine is refused and the reason given."""
    if quarantine_because and text == "quarantine":
        raise CellError("a stage that somebody works at", quarantine_because)
    names = [n for n in STAGE_NAMES if not (quarantine_because and n == "quarantine")]
    return Stage(STAGE_NAMES.index(parse_choice(text, names, "the name of a stage")))
