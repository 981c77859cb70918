"""Problems of a project folder, and the exceptions that carry them.

    ForecastError
    ├── InputError        one or more problems in what a user wrote: exit 2
    └── ReportError       a report could not be made from a forecast: exit 1
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["ForecastError", "InputError", "Problem", "ReportError"]


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong (or doubtful) in the input, and what to do about it.

    Attributes:
        file: the file's name as the user knows it, e.g. ``team.csv``.
        place: where in it: ``row 4, column mon`` or ``[grant] end``; may be empty.
        read: what stood there, as text; may be empty.
        expected: what is expected there.
        remedy: what to do, as an instruction.
    """

    file: str
    place: str
    read: str
    expected: str
    remedy: str

    def __str__(self) -> str:
        where = f"{self.file}, {self.place}" if self.place else self.file
        read = f" read {self.read!r};" if self.read else ""
        return f"{where}:{read} expected {self.expected}. {self.remedy}"


class ForecastError(Exception):
    """Anything that this package raises on purpose."""


class InputError(ForecastError):
    """The input cannot be used. ``problems`` holds every one of them, in file order."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))

    def __reduce__(self) -> tuple[type[InputError], tuple[tuple[Problem, ...]]]:
        # The default would hand the joined text to __init__ when a worker process raises this.
        return (type(self), (self.problems,))


class ReportError(ForecastError):
    """A report could not be made."""
