"""A forecast as it was issued: what it said, from what, and its draws, so that it can be scored."""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import __version__
from forecast.outcome import NOT_BY_HORIZON, Futures
from forecast.results import summary

__all__ = ["Draws", "Issued", "issued_from"]

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Draws:
    """What each future came to: R replications, W weeks.

    Attributes:
        start: day 0 of the day numbers, the grant's start.
        weeks: W Mondays, from the first simulated week on.
        finish: (R,) day number of the last item's end, -1: not by the horizon.
        done: (R, W) items that count as done at each week's Sunday 24:00.
    """

    start: date
    weeks: tuple[date, ...]
    finish: Ints
    done: Ints

    def done_by(self, week: date) -> Ints:
        """(R,) items done by the end of a week.

        Raises:
            KeyError: the forecast does not tell of that week.
        """
        if not self.weeks or not self.weeks[0] <= week <= self.weeks[-1]:
            raise KeyError(week)
        return np.asarray(self.done[:, (week - self.weeks[0]).days // 7])

    def to_bytes(self) -> bytes:
        """Compressed, for the record; the same draws give the same bytes."""
        about = {"start": self.start.isoformat(), "first": [w.isoformat() for w in self.weeks[:1]]}
        file = io.BytesIO()
        # Differences are small numbers: they compress to a fifth.
        steps = np.diff(self.done, axis=1, prepend=0).astype(np.int32)
        np.savez_compressed(
            file, about=np.array(json.dumps(about)), finish=self.finish.astype(np.int32), done=steps
        )
        return file.getvalue()

    @classmethod
    def from_bytes(cls, stored: bytes) -> Draws:
        """Read :meth:`to_bytes` back."""
        with np.load(io.BytesIO(stored), allow_pickle=False) as arrays:
            about = json.loads(str(arrays["about"]))
            done = arrays["done"].cumsum(axis=1, dtype=np.int64)
            first = [date.fromisoformat(week) for week in about["first"]]
            return cls(
                start=date.fromisoformat(about["start"]),
                weeks=tuple(first[0] + timedelta(weeks=n) for n in range(done.shape[1]) if first),
                finish=arrays["finish"].astype(np.int64),
                done=done,
            )

    @classmethod
    def of(cls, futures: Futures) -> Draws:
        """The draws of a forecast, from its first simulated week to the last that changes."""
        first = next(
            n for n, week in enumerate(futures.weeks) if (futures.first_day - week).days < 7
        )
        sundays = [
            min(futures.project.day_number(week) + 6, futures.project.days - 1)
            for week in futures.weeks[first:]
        ]
        done = futures.done_by_day[:, sundays].astype(np.int64)
        changes = np.flatnonzero(np.diff(done, axis=1).any(axis=0))
        last = int(changes.max(initial=-1)) + 2
        return cls(
            start=futures.project.grant.start,
            weeks=futures.weeks[first : first + last],
            finish=futures.finish_day.astype(np.int64),
            done=done[:, :last],
        )


@dataclass(frozen=True)
class Issued:
    """One forecast on file.

    Attributes:
        week: the Monday of the week after whose return it was made.
        as_of: it knew every return up to this date, and nothing later.
        issued_at: when, in UTC; a hindcast has the moment of its making.
        version: of the program.
        input_sha256: of the project's files.
        returns: digests of the returns that it knew, in the order of their weeks.
        results: :func:`forecast.results.summary`, as JSON text.
        draws: what each future came to.
        why: why the date moved since the last issued forecast, as JSON text; "" where not told.
        hindcast: made later from what was on file then; never counted among the issued.
    """

    week: date
    as_of: date
    issued_at: datetime
    seed: int
    replications: int
    version: str
    input_sha256: str
    returns: tuple[str, ...]
    results: str
    draws: Draws
    why: str = ""
    hindcast: bool = False

    @cached_property
    def summary(self) -> dict[str, Any]:
        """The results as plain values."""
        values: dict[str, Any] = json.loads(self.results)
        return values

    def finish_date(self, probability: float) -> date | None:
        """The date by which all is done in this share of the futures; None: not by the horizon."""
        ordered = np.sort(np.where(self.draws.finish == NOT_BY_HORIZON, _LATER, self.draws.finish))
        at = max(0, int(np.ceil(probability * len(ordered) - 1e-9)) - 1)
        day = int(ordered[at])
        return None if day == _LATER else self.draws.start + timedelta(days=day)


_LATER = np.iinfo(np.int64).max


def issued_from(
    futures: Futures,
    week: date,
    issued_at: datetime,
    returns: tuple[str, ...],
    why: str = "",
    *,
    hindcast: bool = False,
) -> Issued:
    """What is kept of a forecast."""
    return Issued(
        week=week,
        as_of=futures.as_of,
        issued_at=issued_at,
        seed=futures.seed,
        replications=futures.replications,
        version=__version__,
        input_sha256=futures.project.input_sha256,
        returns=returns,
        results=json.dumps(summary(futures), ensure_ascii=False),
        draws=Draws.of(futures),
        why=why,
        hindcast=hindcast,
    )
