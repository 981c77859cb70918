"""People: what they are trained for, the hours they are rostered, and when they are away.

The project asks whether a person is assigned to mould work, never why.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from forecast.stages import Stage

__all__ = ["Closure", "DayPlan", "TeamRow", "persons"]


@dataclass(frozen=True)
class TeamRow:
    """One dated row of the rota; a person may have several whose dates do not overlap.

    ``hours`` are rostered hours from Monday to Sunday; ``begins`` is seconds after midnight;
    ``stages`` are those that the person is trained for, in order of preference; ``end`` is the
    last day (None: to the horizon).
    """

    person: str
    role: str
    start: date
    end: date | None
    hours: tuple[float, float, float, float, float, float, float]
    begins: int
    mould_work: bool
    stages: tuple[Stage, ...]
    hourly_cost: float | None = None
    line: str = ""

    def covers(self, day: date) -> bool:
        """Whether this row is the one in force on a day."""
        return self.start <= day and (self.end is None or day <= self.end)


@dataclass(frozen=True)
class Closure:
    """Days off, both ends included: everybody's, or one person's when ``person`` is given."""

    first_day: date
    last_day: date
    person: str | None = None
    reason: str = ""


@dataclass(frozen=True)
class DayPlan:
    """On this weekday (Monday is 0) this stage comes first in the person's list."""

    person: str
    weekday: int
    stage: Stage


def persons(team: Sequence[TeamRow]) -> tuple[str, ...]:
    """Each person once, in the order of their first rows: the order in which people choose."""
    return tuple(dict.fromkeys(row.person for row in team))
