"""A record cut at a midnight, and the rest of that future begun from there.

What stands in the rows before the cut is replayed, item by item, to the place where everything is
then; the same luck continued from there must write the rows that followed.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.beginning import Start
from forecast.events import What
from forecast.luck import Replication
from forecast.rules import DONE, NO_STAGE, WHOLE, item_seconds
from forecast.stages import N_STAGES, Stage
from forecast.units import SECONDS_PER_DAY, whole_days

__all__ = ["Cut", "cut_at", "without_numbers"]

Rows = NDArray[np.int64]

_ENDED = {What.DONE: 0, What.SET_ASIDE: 1, What.NOT_IMAGED: 2}


@dataclass(frozen=True)
class Cut:
    """A future that begins at a midnight of another.

    Attributes:
        luck: of the rest; before: the rows until then; after: those that the rest must write.
        reached: what the cut met, by name.
    """

    luck: Replication
    before: Rows
    after: Rows
    reached: Counter[str]


@dataclass
class _Item:
    stage: int = NO_STAGE
    since: int = 0
    passed: int = 0
    shelf: bool = False
    dryer: bool = False
    due_day: int = -1
    rounds: int = 0
    rejections: int = 0  # still to come
    again: bool = False
    ended: int = -1
    put_back: int = WHOLE
    remaining: int = 0


@dataclass
class _Replay:
    """Where everything is after some rows."""

    luck: Replication
    finished: list[int]
    items: list[_Item]
    in_hand_since: dict[int, int] = field(default_factory=dict)
    exposed_since: dict[int, int] = field(default_factory=dict)
    exposure: Counter[tuple[int, int]] = field(default_factory=Counter)  # by person and day
    tool_set: dict[int, int] = field(default_factory=dict)  # by person
    clean_at: dict[int, int] = field(default_factory=dict)  # by tool set
    rested_at: int = 0
    done: Counter[int] = field(default_factory=Counter)  # by day
    first_passes: Counter[tuple[int, int]] = field(default_factory=Counter)  # by week and stage
    images: int = 0
    reimaged: int = 0

    def row(self, row: Sequence[int]) -> None:  # noqa: C901, PLR0912  # one branch a kind of row
        time, what, stage, number, person, place = row
        luck, day = self.luck, min(row[0] // SECONDS_PER_DAY, len(self.luck.week_of_day) - 1)
        item = self.items[number]  # the last where the row has none: it is not touched then
        match What(what):
            case What.WAITS:
                item.stage, item.since = stage, time
                item.put_back, item.remaining = WHOLE, 0
            case What.SHELF_TAKEN:
                item.shelf, item.due_day = True, day + luck.settings.minimum_days
            case What.SHELF_FREED:
                item.shelf = False
            case What.ROUND_BEGINS:
                item.rounds += item.dryer  # still damp
                item.dryer = True
                column = min(item.rounds, luck.round_days.shape[1] - 1)
                days = float(luck.round_days[number, column] * luck.month_factor[day])
                item.due_day = day + whole_days(days)
            case What.ROUND_DUE:
                item.due_day, item.since, item.put_back, item.remaining = -1, time, WHOLE, 0
            case What.DRYER_FREED:
                item.dryer = False
                item.rounds += 1
            case What.TAKEN:
                self.in_hand_since[person] = time
                if item.put_back == WHOLE:
                    item.remaining = self.seconds(number, stage, day)
            case What.EXPOSURE_BEGINS:
                self.in_hand_since[person] = self.exposed_since[person] = time
            case What.PUT_BACK:
                item.put_back, item.remaining = (
                    time,
                    item.remaining - (time - self.in_hand_since[person]),
                )
            case What.FINISHED:
                self.finish(number, stage, day)
            case What.REJECTED:
                item.rejections -= 1
                item.again = True
            case What.EXPOSURE_ENDS:
                since = self.exposed_since[person]
                self.exposure[person, since // SECONDS_PER_DAY] += time - since
                self.rested_at = max(self.rested_at, time + luck.settings.rest)
            case What.TOOL_SET_TAKEN:
                self.tool_set[person] = place
            case What.SESSION_ENDS:
                if person in self.tool_set:
                    clean_at = time + luck.settings.tool_drying
                    self.clean_at[self.tool_set.pop(person)] = clean_at
            case What.TOOL_SET_CLEAN:
                del self.clean_at[place]
            case What.DONE | What.SET_ASIDE | What.NOT_IMAGED:
                item.stage, item.ended = DONE, _ENDED[What(what)]
                self.done[day] += what != What.SET_ASIDE

    def finish(self, number: int, stage: int, day: int) -> None:
        item, luck = self.items[number], self.luck
        item.due_day, item.put_back, item.remaining = -1, WHOLE, 0
        if item.passed >> stage & 1:
            self.reimaged += int(luck.again_images[number]) * (stage == Stage.IMAGING)
            return
        item.passed |= 1 << stage
        self.finished[stage] += 1
        self.first_passes[int(luck.week_of_day[day]), stage] += 1
        self.images += int(luck.images[number]) * (stage == Stage.IMAGING)

    def seconds(self, item: int, stage: int, day: int) -> int:
        luck = self.luck
        if stage == Stage.DRYING:
            return luck.settings.attention
        again = stage == Stage.IMAGING and self.items[item].again
        return item_seconds(
            float(luck.again_seconds[item] if again else luck.base_seconds[item, stage]),
            float(luck.practice[stage, self.finished[stage]]),
            float(luck.week_factor[stage, luck.week_of_day[day]]),
        )

    def start(self) -> Start:
        """As arrays."""
        luck = self.luck
        days = len(luck.week_of_day)
        done, weekly = np.zeros(days, np.int64), np.zeros((int(luck.week_of_day[-1]) + 1, N_STAGES))
        for day, number in self.done.items():
            done[day] += number
        for (week, stage), number in self.first_passes.items():
            weekly[week, stage] += number

        def of(name: str, kind: Any) -> NDArray[Any]:
            return np.array([getattr(item, name) for item in self.items], dtype=kind)

        numbers = ("since", "due_day", "rounds", "rejections", "put_back", "remaining")
        kinds: dict[str, Any] = dict.fromkeys(numbers, np.int64)
        kinds |= dict.fromkeys(("shelf", "dryer", "again"), np.bool_)
        kinds |= {"stage": np.int8, "passed": np.int16, "ended": np.int8}
        return Start(
            **{name: of(name, kind) for name, kind in kinds.items()},
            tool_sets_clean_at=np.array(list(self.clean_at.values()), dtype=np.int64),
            done_by_day=done.cumsum(),
            weekly_items=weekly.cumsum(axis=0).astype(np.int64),
            images=self.images,
            reimaged=self.reimaged,
        )


def cut_at(rows: Rows, luck: Replication, day: int) -> Cut | None:
    """The future of a record from 00:00 of a day on, after all that ends at that very second.

    Items in hand are put back when a shift ends, so nobody is in a session at midnight. None: the
    rest from a mask goes on over this midnight, which no start tells.
    """
    midnight = day * SECONDS_PER_DAY
    first = int(np.searchsorted(rows[:, 0], midnight))
    last = int(np.searchsorted(rows[:, 0], midnight, side="right"))
    ends = np.flatnonzero(rows[first:last, 1] == What.SESSION_ENDS)
    until = first + (int(ends[-1]) + 1 if len(ends) else 0)
    if len(ends) and luck.settings.tool_drying == 0 and until < len(rows):
        until += rows[until, 1] == What.TOOL_SET_CLEAN
    replay = _Replay(
        luck,
        luck.finished_before.tolist(),
        [_Item(rejections=number) for number in luck.rejections.tolist()],
    )
    for row in rows[:until].tolist():
        replay.row(row)
    if replay.rested_at > midnight:
        return None
    start = replay.start()
    rest = replace(
        luck,
        settings=replace(luck.settings, start=midnight),
        finished_before=np.array(replay.finished, dtype=np.int64),
        exposure_before=_exposure_before(luck, replay, day),
        start=start,
    )
    return Cut(rest, rows[:until], rows[until:], _reached(start))


def _exposure_before(luck: Replication, replay: _Replay, day: int) -> Rows:
    """(P, 6) seconds on the six days before; what is before the first day was given."""
    first = luck.settings.start // SECONDS_PER_DAY
    exposure = np.zeros((len(luck.shift_begin), 6), dtype=np.int64)
    for person in range(len(exposure)):
        for column in range(6):
            at = day - 6 + column
            given = 0 <= at - (first - 6) < 6
            before = int(luck.exposure_before[person, at - first + 6]) if given else 0
            exposure[person, column] = before + replay.exposure[person, at]
    return exposure


def _reached(start: Start) -> Counter[str]:
    assert start.put_back is not None
    there = start.is_there
    counts = {
        "to come": start.stage == NO_STAGE,
        "had left": start.stage == DONE,
        "waits for a shelf": (start.stage == Stage.QUARANTINE) & ~start.shelf,
        "on its shelf in quarantine": (start.stage == Stage.QUARANTINE) & start.shelf,
        "on its shelf later": (start.stage > Stage.QUARANTINE) & there & start.shelf,
        "waits for a drying place": (start.stage == Stage.DRYING) & ~start.dryer,
        "in the dryer": start.dryer & (start.due_day >= 0),
        "in the dryer again": start.dryer & (start.rounds > 0),
        "waits for attention": start.dryer & (start.due_day < 0),
        "unfinished": start.put_back != WHOLE,
        "to be imaged again": start.again & (start.stage == Stage.IMAGING),
        "to be checked again": start.again & (start.stage == Stage.CHECKING),
        "waits at a stage for hands": there & (start.stage > Stage.DRYING),
    }
    reached = Counter({name: int(items.sum()) for name, items in counts.items()})
    reached["tool sets drying"] = len(start.tool_sets_clean_at)
    return reached


def without_numbers(rows: Rows) -> Rows:
    """Rows without which shelf, drying place or tool set it was: numbers are given out anew."""
    plain = rows.copy()
    numbered = [
        What.SHELF_TAKEN,
        What.SHELF_FREED,
        What.ROUND_BEGINS,
        What.ROUND_DUE,
        What.DRYER_FREED,
        What.TOOL_SET_TAKEN,
        What.TOOL_SET_CLEAN,
    ]
    plain[np.isin(plain[:, 1], numbered), 5] = -1
    return plain
