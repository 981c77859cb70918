"""Sections of a TOML file, read key by key with every fault noted."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Callable, Mapping
from datetime import date, datetime
from typing import TypeVar

from forecast.cells import CellError, Findings, Limits, nearest, parse_date, parse_stage
from forecast.estimates import Estimate
from forecast.sheets import decode
from forecast.stages import Stage

__all__ = [
    "SHARE",
    "Section",
    "date_of",
    "dates_of",
    "estimate_of",
    "flag_of",
    "list_of",
    "months_of",
    "number_of",
    "parse_toml",
    "shown",
    "stages_of",
    "text_of",
]

T = TypeVar("T")

SHARE = Limits(0.0, 1.0)


def parse_toml(name: str, data: bytes, findings: Findings) -> dict[str, object] | None:
    """The tables of a TOML file, or None with the reason noted."""
    text = decode(name, data, findings)
    if text is None:
        return None
    try:
        return tomllib.loads(text.replace("\r\n", "\n"))
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"at line (\d+)", str(error))
        lines = text.splitlines() or [""]
        number = int(found[1]) if found else len(lines)
        line = lines[min(number, len(lines)) - 1].strip()
        if "://" in line or "url" in line:
            line = "(not shown)"  # an address of a database holds a password
        remedy = "Correct the line; texts stand in double quotes, lists in square brackets."
        if re.search(r"\d[/.]\d+[/.]\d", line):
            remedy = "Write dates like 2026-03-09, without quotes."
        findings.add(name, f"line {number}", line, "a line like: name = value", remedy)
        return None


def shown(value: object) -> str:
    """A TOML value as the user wrote it, more or less."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(shown(part) for part in value) + "]"
    return "a section" if isinstance(value, dict) else str(value)


class Section:
    """One section of a TOML file. Each method reads one key, or notes what is wrong with it."""

    def __init__(
        self, file: str, name: str, values: Mapping[str, object], findings: Findings
    ) -> None:
        self.file = file
        self.name = name
        self.findings = findings
        self._values = values
        self._known: list[str] = []

    def has(self, key: str) -> bool:
        """Whether the key is given."""
        return key in self._values

    def reject(self, key: str, read: str, expected: str, remedy: str) -> None:
        """Note a problem of a key."""
        place = f"[{self.name}] {key}" if self.name else key
        self.findings.add(self.file, place, read, expected, remedy)

    def get(
        self,
        key: str,
        parse: Callable[[object], T],
        default: T,
        required: bool = False,
        assumed: bool = True,
    ) -> T:
        """A key through a parser; the default where it is faulty or left out."""
        self._known.append(key)
        if key not in self._values:
            if required:
                self.reject(key, "", "this key", f"Write a line {key} = ... in this section.")
            elif assumed:
                self.findings.assume(f"{self.name}.{key}")
            return default
        try:
            return parse(self._values[key])
        except CellError as misread:
            self.reject(key, shown(self._values[key]), misread.expected, misread.remedy)
            return default

    def text(self, key: str, default: str = "", required: bool = False) -> str:
        """A text. None of them moves a forecast, so that no default is noted."""
        return self.get(key, text_of, default, required, assumed=False)

    def number(
        self, key: str, limits: Limits, default: float, required: bool = False, assumed: bool = True
    ) -> float:
        """A number."""
        return self.get(key, lambda v: number_of(v, limits), default, required, assumed)

    def whole(self, key: str, limits: Limits, default: int, required: bool = False) -> int:
        """A whole number."""
        return int(self.number(key, limits, default, required))

    def date(self, key: str, default: date, required: bool = False, assumed: bool = True) -> date:
        """A date."""
        return self.get(key, date_of, default, required, assumed)

    def estimate(self, key: str, default: Estimate, limits: Limits = SHARE) -> Estimate:
        """Low, likely and high; a share unless the limits say otherwise."""
        return self.get(key, lambda v: estimate_of(v, limits, default.at_most_one), default)

    def close(self, expected: str = "a key of this section") -> None:
        """Note the keys that nobody asked for."""
        for key in self._values:
            if key not in self._known:
                others = [name for name in self._known if name not in self._values]
                self.reject(key, key, expected, nearest(key, others or self._known))


def text_of(value: object) -> str:
    """A text, without blanks around it."""
    if not isinstance(value, str):
        raise CellError("a text", "Put it into double quotes.")
    return value.strip()


def flag_of(value: object) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise CellError("true or false", "Write true or false, in small letters, without quotes.")
    return value


def number_of(value: object, limits: Limits) -> float:
    """A finite number within its limits."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise CellError(limits.words, "Write a number without quotes.")
    if not math.isfinite(value):
        raise CellError(limits.words, "Write a number that is known.")
    return limits.check(value)


def date_of(value: object) -> date:
    """A date."""
    if isinstance(value, str):
        return parse_date(value)
    if isinstance(value, datetime) or not isinstance(value, date):
        raise CellError("a date", "Write it like 2026-03-09, without a time of day.")
    return parse_date(value.isoformat())


def list_of(value: object, what: str) -> list[object]:
    """A list; ``what`` says of what."""
    if not isinstance(value, list):
        raise CellError(what, "Write it in square brackets, separated by commas.")
    return value


def estimate_of(value: object, limits: Limits, at_most_one: bool) -> Estimate:
    """Low, likely and high."""
    what = "three numbers in rising order: [low, likely, high]"
    numbers = [number_of(part, limits) for part in list_of(value, what)]
    if len(numbers) != 3 or sorted(numbers) != numbers:
        raise CellError(what, "Write the smallest first; three equal numbers if it is known.")
    low, likely, high = numbers
    return Estimate(low, likely, high, at_most_one)


def dates_of(value: object) -> tuple[date, ...]:
    """Dates in order."""
    days = tuple(date_of(part) for part in list_of(value, "a list of dates"))
    if sorted(set(days)) != list(days):
        raise CellError("dates in order, each once", "Put them in order.")
    return days


def months_of(value: object) -> tuple[float, ...]:
    """Twelve factors."""
    what = "twelve numbers above 0, January first"
    factors = tuple(number_of(part, Limits(0, 100, above=True)) for part in list_of(value, what))
    if len(factors) != 12:
        raise CellError(what, f"Write twelve numbers, not {len(factors)}.")
    return factors


def stages_of(value: object) -> frozenset[Stage]:
    """Names of stages."""
    return frozenset(parse_stage(text_of(part)) for part in list_of(value, "a list of stages"))
