"""Both models of the workflow at once: one record, or where they part, in words."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast import engine, luck, walkthrough
from forecast.events import What
from forecast.luck import Replication
from forecast.project import Project
from forecast.stages import Stage
from tests.small_projects import ANY_KIND, WORK, Lot, person, small_project, timetable

__all__ = ["assert_same", "record", "with_luck", "worked"]

Rows = NDArray[np.int64]

_BEFORE = 10  # rows that are told before the first that differs


def record(future: Replication, project: Project | None = None) -> Rows:
    """The record of a future, which both models write alike.

    Args:
        future: what both read.
        project: whose people a difference is told of; without it they are P00, P01 ...
    """
    readable = walkthrough.run(future)
    assert_same(project or _anybody(future), readable, engine.record(future))
    return readable


def assert_same(project: Project, readable: Rows, compiled: Rows) -> None:
    """Fail where two records differ, and tell in words what came before.

    Raises:
        AssertionError: with the first row that differs and the ten before it, from each model.
    """
    if np.array_equal(readable, compiled):
        return
    both = min(len(readable), len(compiled))
    differ = np.flatnonzero((readable[:both] != compiled[:both]).any(axis=1))
    first = int(differ[0]) if len(differ) else both
    raise AssertionError(
        f"The records differ from row {first} on.\n"
        f"The model to read:\n{_told(project, readable, first)}\n"
        f"The model to run:\n{_told(project, compiled, first)}"
    )


def _told(project: Project, rows: Rows, first: int) -> str:
    """Rows in words, the first that differs marked."""
    lines = []
    for number in range(max(0, first - _BEFORE), first + 1):
        mark = ">" if number == first else " "
        words = "(the record ends)"
        if number < len(rows):
            # One by one, because a timetable sorts what happens at one second.
            words = timetable(project, rows[number : number + 1], ANY_KIND, quarantine=True)[0]
        lines.append(f"{mark} {number:6d}  {words}")
    return "\n".join(lines)


def _anybody(future: Replication) -> Project:
    people = [person(f"P{number:02d}", "reboxing") for number in range(len(future.shift_begin))]
    return small_project([Lot(1)], [], people)


def worked(
    project: Project,
    show: Collection[What] = WORK,
    first_day: int = 0,
    quarantine: bool = False,
    **own_luck: Any,
) -> list[str]:
    """Run a project in both models and return its timetable.

    ``own_luck`` replaces arrays of the replication.
    """
    future = with_luck(luck.replication(luck.plan(project, first_day), 1, 0), own_luck)
    return timetable(project, record(future, project), show, quarantine)


def with_luck(future: Replication, own_luck: Mapping[str, Any]) -> Replication:
    """The replication with some arrays replaced, in the types that it had.

    Whether imaging and checking apply follows from ``not_imaged``, as it does in a drawn future.
    """
    arrays: dict[str, Any] = {
        name: np.asarray(value, dtype=getattr(future, name).dtype)
        for name, value in own_luck.items()
    }
    if "not_imaged" in arrays:
        applies = future.applies.copy()
        applies[np.ix_(arrays["not_imaged"], [Stage.IMAGING, Stage.CHECKING])] = False
        arrays["applies"] = applies
    return replace(future, **arrays)
