"""One item's way through one future, in words; and the words for every kind of event."""

from __future__ import annotations

from datetime import datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast.events import What
from forecast.items import Mould
from forecast.luck import Plan, Replication
from forecast.project import Project
from forecast.rules import DONE
from forecast.stages import STAGE_NAMES, Stage

__all__ = ["event_words", "moment", "tale"]

Ints = NDArray[np.int64]

_STATIONS = {Stage.COVERS: "camera", Stage.CLEANING: "bench", Stage.IMAGING: "camera"}
_PERSONAL = {
    What.TAKEN: "takes item {item}",
    What.EXPOSURE_BEGINS: "is exposed",
    What.PUT_BACK: "puts back item {item}",
    What.FINISHED: "finishes item {item}",
    What.CLEARING_BEGINS: "clears",
    What.EXPOSURE_ENDS: "is exposed no longer",
    What.SESSION_ENDS: "ends {stage}",
    What.TOOL_SET_TAKEN: "takes tool set {place}",
}
_IMPERSONAL = {
    What.DELIVERED: "item {item} is delivered",
    What.WAITS: "item {item} waits for {stage}",
    What.SHELF_TAKEN: "item {item} goes on shelf {place}",
    What.SHELF_FREED: "item {item} leaves shelf {place}",
    What.ROUND_BEGINS: "item {item} begins to dry in place {place}",
    What.ROUND_DUE: "item {item} is due",
    What.FINISHED: "item {item} may leave quarantine",
    What.DRYER_FREED: "item {item} leaves drying place {place}",
    What.REJECTED: "item {item} is rejected",
    What.TOOL_SET_CLEAN: "tool set {place} is clean",
    What.DONE: "item {item} is done",
    What.SET_ASIDE: "item {item} is set aside",
    What.NOT_IMAGED: "item {item} is done without images",
    What.FOUND: "item {item} is at {stage}",
    What.ON_SHELF: "item {item} is on shelf {place}",
    What.IN_DRYER: "item {item} is in drying place {place}",
    What.SET_DRIES: "tool set {place} is drying",
}
_CONDITION = {
    Mould.NONE: "no mould",
    Mould.INACTIVE: "dormant mould",
    Mould.ACTIVE: "growing mould",
}
# In the order of Start.ended.
_ENDED = ("done", "set aside", "done without images", "withdrawn or not found")
_ENDS = (What.DONE, What.SET_ASIDE, What.NOT_IMAGED)


def moment(project: Project, seconds: int) -> datetime:
    """Date and clock time, from seconds since 00:00 of the grant's start."""
    return datetime.combine(project.grant.start, time()) + timedelta(seconds=seconds)


def event_words(row: Ints) -> tuple[int, str]:
    """One row of an event record in words.

    Returns:
        The person whom it is about, or -1 where it is about an item or a place; and the words,
        without time and person: ``takes item 3``.
    """
    _, what, stage, item, who, place = (int(value) for value in row)
    name = STAGE_NAMES[stage] if stage >= 0 else "?"
    kind = What(what)
    if kind is What.SESSION_BEGINS:
        text = f"begins {name}"
        if stage in _STATIONS:
            text += f" at {_STATIONS[Stage(stage)]} {place}"
    elif kind in _IMPERSONAL and (kind not in _PERSONAL or who < 0):
        text, who = _IMPERSONAL[kind], -1
    else:
        text = _PERSONAL[kind]
    return who, text.format(item=item, stage=name, place=place)


def tale(plan: Plan, drawn: Replication, rows: Ints, item: int) -> list[str]:
    """An item's way through one future: a heading, and a line for each thing that happens to it.

    Lines name people as team.csv does: this is for the team.

    Args:
        plan: of the project.
        drawn: the future's luck.
        rows: its event record, (n, 6).
        item: number in the order of work, from 0.

    Returns:
        Lines of text.
    """
    mine = rows[rows[:, 3] == item]
    lines = [_heading(plan, drawn, item), *_steps(plan.project, mine)]
    if drawn.start is not None and drawn.start.stage[item] == DONE:
        how = _ENDED[int(drawn.start.ended[item])]
        lines.append(f"  It had left before the first simulated day: {how}.")
    elif not np.isin(mine[:, 1], _ENDS).any():
        horizon = plan.project.grant.horizon.isoformat()
        lines.append(f"  It has not ended by the horizon, {horizon}.")
    return lines


def _heading(plan: Plan, drawn: Replication, item: int) -> str:
    """Number, series, material and condition; the condition is this future's."""
    cell = plan.cells[int(plan.cell_of_item[item])]
    condition = [_CONDITION[Mould(int(drawn.mould[item]))]]
    if drawn.red_rot[item]:
        condition.append("red rot")
    if drawn.bound[item]:
        condition.append("bound")
    condition.append(f"{int(drawn.images[item])} images")
    number = f"Item {item} ({item + 1} of {len(drawn.arrival)} in the order of work)"
    return f"{number}: {cell.material} of series {cell.series}, {', '.join(condition)}"


def _steps(project: Project, mine: Ints) -> list[str]:
    """A line for each row of one item."""
    lines = []
    for row in mine:
        who, words = event_words(row)
        if who >= 0:
            words = f"{project.persons[who]} {words} at {STAGE_NAMES[int(row[2])]}"
        lines.append(f"  {moment(project, int(row[0])):%a %Y-%m-%d %H:%M:%S}  {words}")
    return lines
