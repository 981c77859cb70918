"""What is on record up to an as-of date: the returns that count, in the order of their weeks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

from forecast.weekly import WeeklyReturn

__all__ = ["COUNTS_FROM", "NOTHING_YET", "History"]

COUNTS_FROM = timedelta(days=4)  # a return counts from the Friday of its week (R19)


@dataclass(frozen=True)
class History:
    """One return a week, the latest where it was corrected; weeks may be missing."""

    returns: tuple[WeeklyReturn, ...] = ()

    def __post_init__(self) -> None:
        weeks = [each.week for each in self.returns]
        if weeks != sorted(set(weeks)):
            raise ValueError("returns stand in the order of their weeks, one a week")

    @classmethod
    def of(cls, returns: Iterable[WeeklyReturn]) -> History:
        """Returns in any order; a later one of the same week takes the place of an earlier."""
        latest = {each.week: each for each in returns}
        return cls(tuple(latest[week] for week in sorted(latest)))

    def up_to(self, as_of: date) -> History:
        """Those that count on an as-of date (R19)."""
        return History(tuple(r for r in self.returns if r.week + COUNTS_FROM <= as_of))

    @cached_property
    def last_day(self) -> date | None:
        """The Sunday of the last week on record; None where there is none."""
        return self.returns[-1].last_day if self.returns else None

    @cached_property
    def gaps(self) -> tuple[date, ...]:
        """Mondays between the first and the last week on record that no return tells of."""
        if not self.returns:
            return ()
        weeks = {each.week for each in self.returns}
        first, last = self.returns[0].week, self.returns[-1].week
        all_weeks = (first + timedelta(weeks=n) for n in range((last - first).days // 7))
        return tuple(week for week in all_weeks if week not in weeks)


NOTHING_YET = History()
