"""Where everything is: every draw keeps to the record, and only its silence is drawn."""

from __future__ import annotations

import pickle
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any, NamedTuple

import numpy as np
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from forecast import beginning, diary, engine, ledger, luck
from forecast.beginning import Beginning, Begun, Fates
from forecast.diary import Telling
from forecast.history import History
from forecast.items import Category, Mould
from forecast.ledger import Ledger, Told
from forecast.luck import Plan, Replication
from forecast.rules import DONE, NO_STAGE
from forecast.stages import N_STAGES, Place, Stage
from forecast.weekly import Count, DryingBatch, Received, WeeklyReturn, WorkedDay
from tests.random_projects import Case, cases, future
from tests.small_projects import MONDAY, Lot, day, per_item, person, small_project

# A failing record is shown as it was drawn: to make whole projects smaller takes an hour.
some = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
)

Draw = Any


class Recorded(NamedTuple):
    """A future lived up to a Sunday, what was told of it, and a plan that begins there."""

    case: Case
    plan: Plan
    lived: Replication
    rows: Any
    ledger: Ledger
    category: Any
    values: Any

    @property
    def start(self) -> int:
        return self.plan.settings.start


def blanked(row: Any, blanks: Sequence[str]) -> Any:
    return replace(row, **{name: None for name in blanks if getattr(row, name) is not None})


@st.composite
def recorded(draw: Draw, *, missing: bool = True) -> Recorded:
    """Random projects some weeks under way, told fully, in part or by stage only."""
    case: Case = draw(cases())
    lived_plan, lived = luck.plan(case.project, case.first_day), future(case)
    rows = engine.record(lived)
    tell = Telling(
        sheets=draw(
            st.sampled_from(
                [
                    diary.EVERYTHING,
                    diary.EVERYTHING - {"drying"},
                    diary.EVERYTHING - {"received"},
                    frozenset({"counts"}),
                ]
            )
        ),
        categories=draw(st.booleans()),
        boxes=draw(st.booleans()),
        missing=draw(st.sampled_from([0.0, 0.0, 0.3])) if missing else 0.0,
    )
    told = diary.returns(lived_plan, lived, rows, case.project.grant.horizon, tell=tell)
    told = told[: draw(st.integers(0, len(told)))]
    names = ("material", "mould", "red_rot")
    subsets = st.lists(st.sampled_from(names), unique=True)
    if draw(st.booleans()):
        told = tuple(
            replace(
                each,
                counts=tuple(blanked(row, draw(subsets)) for row in each.counts),
                received=tuple(blanked(row, draw(subsets)) for row in each.received),
            )
            for each in told
        )
    if draw(st.booleans()):  # nobody counts what leaves quarantine
        told = tuple(
            replace(each, counts=tuple(c for c in each.counts if c.stage != Stage.QUARANTINE))
            for each in told
        )
    history = History.of(told)
    found = ledger.of(case.project, history)
    first = max(0, case.first_day)
    if history.last_day is not None:
        first = case.project.day_number(history.last_day) + 1
    plan = luck.plan(case.project, min(first, case.project.days - 1))
    unseen = luck.replication(plan, draw(st.integers(0, 2**32)), 0)
    return Recorded(case, plan, lived, rows, found, categories(plan, unseen), values(plan))


def categories(plan: Plan, drawn: Replication) -> Any:
    number = {}
    ends = [*(cell.first_category for cell in plan.cells[1:]), len(plan.mould)]
    for n, (cell, end) in enumerate(zip(plan.cells, ends, strict=True)):
        for c in range(cell.first_category, end):
            number[n, int(plan.mould[c]), bool(plan.red_rot[c])] = c
    keys = zip(
        plan.cell_of_item.tolist(), drawn.mould.tolist(), drawn.red_rot.tolist(), strict=True
    )
    return np.array([number[key] for key in keys], dtype=np.int64)


def values(plan: Plan) -> Any:
    quantiles = plan.estimates.quantiles
    return quantiles.at(np.full(len(plan.estimates.names), 0.5))


def drawn(of: Recorded, seed: int = 0) -> tuple[Beginning, Begun]:
    begins = beginning.of(of.plan, of.ledger)
    rng = np.random.default_rng(seed)
    return begins, begins.draw(of.plan, of.category, of.values, rng)


def told_of(plan: Plan, category: Any) -> list[Category]:
    material = [plan.cells[cell].material for cell in plan.cell_of_item]
    return [
        Category(made, Mould(plan.mould[c]), bool(plan.red_rot[c]))
        for made, c in zip(material, category.tolist(), strict=True)
    ]


def fits(told: Told, category: Category) -> bool:
    mine = (category.material, category.mould, category.red_rot)
    return all(part is None or part == own for part, own in zip(told, mine, strict=True))


def inside(key: Sequence[Any], told: Told) -> bool:
    """Whether a told category is one of another, which tells less."""
    return all(part is None or part == own for part, own in zip(told, key, strict=True))


@given(recorded())
@some
def test_every_item_is_somewhere_and_of_a_category_of_its_own(of: Recorded) -> None:
    _, begun = drawn(of)
    start, plan = begun.start, of.plan
    first = np.array([cell.first_category for cell in plan.cells])
    cell = np.searchsorted(first, begun.category, side="right") - 1
    np.testing.assert_array_equal(cell, plan.cell_of_item)
    assert ((start.stage >= NO_STAGE) & (start.stage <= DONE)).all()
    np.testing.assert_array_equal(start.ended >= 0, start.stage == DONE)
    assert not (start.passed[start.stage == NO_STAGE]).any()
    here = (start.stage >= 0) & (start.stage < DONE)
    assert (start.since[start.stage != NO_STAGE] <= of.start).all()
    assert not (start.shelf & ~here).any()
    for stage in range(N_STAGES):  # what an item waits for is not behind it, nor what follows
        at = (start.stage == stage) & ~start.again
        assert not (start.passed[at] >> stage).any()


@given(recorded(missing=False))
@some
def test_told_numbers_hold_by_stage_and_category(of: Recorded) -> None:
    begins, begun = drawn(of)
    assert begins.problems == ()
    mine = told_of(of.plan, begun.category)
    for stage in Stage:
        passed = np.flatnonzero(begun.start.passed >> stage & 1)
        told = {k[1:]: n for k, n in of.ledger.finished.items() if k[0] is stage}
        total = of.ledger.first_passes[stage]
        if of.ledger.complete[stage]:
            assert len(passed) == total
        for key in told:
            least = sum(n for other, n in told.items() if inside(other, key))
            others = sum(n for other, n in told.items() if not _together(other, key))
            number = sum(fits(key, mine[item]) for item in passed)
            assert number >= least
            if of.ledger.complete[stage]:
                assert number <= total - others


def _together(one: Sequence[Any], other: Sequence[Any]) -> bool:
    """Whether two told categories may be of the same item."""
    return all(a is None or b is None or a == b for a, b in zip(one, other, strict=True))


@given(recorded())
@some
def test_with_missing_weeks_told_numbers_are_the_least(of: Recorded) -> None:
    begins, begun = drawn(of)
    # A batch that came out in a missing week seems to be in still; no other doubt may arise.
    assert {problem.place for problem in begins.problems} <= {"in drying places"}
    for stage in Stage:
        passed = np.count_nonzero(begun.start.passed >> stage & 1)
        assert passed >= of.ledger.first_passes[stage]


@given(recorded())
@some
def test_who_ended_otherwise_ended_as_told(of: Recorded) -> None:
    _, begun = drawn(of)
    told = Counter[str]()
    for (outcome, *_), items in of.ledger.ended.items():
        told[outcome] += items
    ended = Counter(begun.start.ended.tolist())
    assert ended[1] == told["set-aside"]
    assert ended[2] + np.sum(begun.not_imaged[begun.start.ended < 0] == 1) == told["not-imaged"]


@given(recorded())
@some
def test_places_in_use_are_those_that_were_told_of(of: Recorded) -> None:
    _, begun = drawn(of)
    start = begun.start
    in_dryer = sum(batch.items for batch in of.ledger.drying)
    if all(of.ledger.complete) or not of.ledger.drying:
        assert np.count_nonzero(start.dryer) == in_dryer
    assert np.count_nonzero(start.dryer) <= in_dryer
    assert (start.stage[start.dryer] == Stage.DRYING).all()
    assert (start.due_day[start.dryer & (start.due_day >= 0)] >= of.plan.first_day).all()
    capacity = of.plan.capacity[Place.SHELF, max(0, of.plan.first_day - 1)]
    beyond = start.shelf & (start.stage > Stage.QUARANTINE)
    assert np.count_nonzero(start.shelf) <= max(capacity, np.count_nonzero(beyond))
    mould = of.plan.mould[begun.category]
    assert (mould[start.shelf] != Mould.NONE).all()
    cleaned = start.passed >> int(Stage.CLEANING) & 1 > 0
    assert not (start.shelf & cleaned).any()


@given(recorded())
@some
def test_what_was_found_in_boxes_is_what_is_there(of: Recorded) -> None:
    _, begun = drawn(of)
    series = of.plan.series_of_item
    mine = told_of(of.plan, begun.category)
    for (of_series, _, *key), items in of.ledger.received.items():
        # Without a material nobody can say whose items of a series they are.
        where = None if key[0] is None else of_series
        there = sum(
            fits(tuple(key), category) and where in (None, own)  # type: ignore[arg-type]
            for category, own in zip(mine, series, strict=True)
        )
        assert there >= items


@given(recorded())
@some
def test_a_draw_is_the_same_again_and_after_a_journey(of: Recorded) -> None:
    begins, begun = drawn(of)
    again = pickle.loads(pickle.dumps(begins))
    second = again.draw(of.plan, of.category, of.values, np.random.default_rng(0))
    for name in ("stage", "since", "passed", "shelf", "due_day", "weekly_items", "done_by_day"):
        np.testing.assert_array_equal(getattr(begun.start, name), getattr(second.start, name))
    np.testing.assert_array_equal(begun.category, second.category)


@given(recorded())
@some
def test_luck_settles_only_what_is_left_open(of: Recorded) -> None:
    _, begun = drawn(of)
    items = len(begun.category)
    rng = np.random.default_rng(1)
    fates = Fates(
        rng.random((items, N_STAGES)) < 0.5,
        rng.random(items) < 0.5,
        rng.random(items) < 0.5,
        rng.integers(0, 3, items),
    )
    start, settled = begun.settled(fates)
    at = np.flatnonzero((start.stage >= 0) & (start.stage < DONE))
    assert not settled.not_imaged[start.stage == Stage.IMAGING].any()
    same = start.stage[at] == begun.start.stage[at]
    assert settled.applies[at[same], start.stage[at[same]]].all()
    handled = start.passed & ~np.int16(1 << Stage.QUARANTINE) > 0
    assert not (settled.set_aside & handled & (start.ended != 1)).any()
    imaged = start.passed >> int(Stage.IMAGING) & 1 > 0
    assert not (settled.not_imaged & imaged).any()
    assert (start.done_by_day == begun.start.done_by_day).all()


# Little records, by hand

STAGES = ("drying", "cleaning", "imaging", "reboxing")


def begun_after(
    lots: Sequence[Lot], *weeks: dict[str, tuple[Any, ...]], seed: int = 0, **changes: Any
) -> tuple[Beginning, Begun, Plan]:
    """Some weeks of returns, and what is drawn on the Monday after."""
    work = [per_item("drying", 9.0), *(per_item(stage, 5.0) for stage in STAGES[1:])]
    project = replace(small_project(lots, work, [person("AB", ";".join(STAGES))]), **changes)
    told = [
        WeeklyReturn(
            MONDAY + timedelta(weeks=n),
            frozenset({"counts", *sheets}),
            **sheets,
        )
        for n, sheets in enumerate(weeks)
    ]
    plan = luck.plan(project, 7 * len(told))
    begins = beginning.of(plan, ledger.of(project, History.of(told)))
    unseen = categories(plan, luck.replication(plan, seed, 0))
    rng = np.random.default_rng(seed)
    return begins, begins.draw(plan, unseen, values(plan), rng), plan


def count(stage: str, items: int, outcome: str = "", **more: Any) -> Count:
    return Count(Stage[stage.upper()], items=items, outcome=outcome, **more)


def at(begun: Begun) -> list[int]:
    """Items that are to come, at each stage, and gone."""
    stages = begun.start.stage.tolist()
    return [stages.count(stage) for stage in (NO_STAGE, *Stage, DONE)]


def test_first_come_are_furthest_and_wait_since_the_week_that_tells_of_them() -> None:
    counts = {"counts": (count("drying", 6), count("cleaning", 4))}
    later = {"counts": (count("cleaning", 1), count("imaging", 3), count("reboxing", 2))}
    begins, begun, plan = begun_after([Lot(10, Mould.ACTIVE)], counts, later)
    assert begins.problems == ()
    done, rebox, image, clean, dry = DONE, 8, 6, 4, 2
    passed = [done] * 2 + [rebox] + [image] * 2 + [clean]
    assert begun.start.stage.tolist()[:6] == passed
    quarantine = {int(Stage.QUARANTINE), dry}
    assert set(begun.start.stage.tolist()[6:]) <= quarantine
    first, second = 7 * 86_400, 14 * 86_400
    assert begun.start.since.tolist()[:6] == [second] * 3 + [first, second, first]
    assert begun.start.done_by_day[[12, 13, plan.project.days - 1]].tolist() == [0, 2, 2]
    assert begun.start.weekly_items[:3, Stage.CLEANING].tolist() == [4, 5, 5]


def test_days_of_quarantine_count_from_the_days_of_the_week_that_tells_of_receiving() -> None:
    counts = {"counts": (count("receiving", 5),)}
    work = tuple(per_item(stage, 5.0) for stage in ("receiving", "cleaning"))
    lots = [Lot(5, Mould.INACTIVE)]
    _, begun, _ = begun_after(lots, counts, {}, quarantine_days=20, task_times=work)
    # Received from Monday, day 0, to Friday; Sunday for all would be due on day 27.
    assert sorted(begun.start.due_day[begun.start.shelf].tolist()) == [20, 21, 22, 23, 24]


def test_shelves_are_those_that_there_are_and_mouldy_items_without_one_wait_in_the_store() -> None:
    lots = [Lot(50, Mould.INACTIVE)]
    counts = {"counts": (count("cleaning", 5),)}
    _, begun, plan = begun_after(lots, counts, quarantine_days=30)
    shelves = int(plan.capacity[Place.SHELF, 0])
    assert np.count_nonzero(begun.start.shelf) == min(shelves, 45)
    small = replace(plan.project.places, quarantine_items=7)
    _, begun, _ = begun_after(lots, counts, quarantine_days=30, places=small)
    assert np.count_nonzero(begun.start.shelf) == 7
    assert at(begun)[1 + Stage.QUARANTINE] == 45
    # The first two have stood there from the start; five came as others were cleaned.
    assert begun.start.due_day[begun.start.shelf].tolist() == [30] * 7


def test_a_round_lasts_longer_than_it_has() -> None:
    batch = DryingBatch("1", day(2), 3)
    _, begun, _ = begun_after([Lot(10, Mould.ACTIVE)], {"drying": (batch,)})
    assert begun.start.due_day[begun.start.dryer].tolist() == [11] * 3  # nine days, known
    overdue = DryingBatch("1", day(0), 3)
    _, begun, _ = begun_after([Lot(10, Mould.ACTIVE)], {"drying": (overdue,)}, {})
    assert begun.start.due_day[begun.start.dryer].tolist() == [-1] * 3  # waits for attention


def test_days_that_a_round_lasts_beyond_those_it_has_follow_the_lognormal_tail() -> None:
    """The share beyond twice as long, by the normal distribution of the logarithm."""
    number = 200_000
    luck_of = (np.arange(number) + 0.5) / number
    whole = np.full(number, 4.0)
    days = beginning._longer_than(whole, whole, np.full(number, 0.5), luck_of)
    assert days.min() >= 4.0
    # P(X > 8 | X > 4) for log X ~ N(log 4, 0.5^2): 2 (1 - Phi(log 2 / 0.5)), by a normal table.
    assert abs(float(np.mean(days > 8.0)) - 2 * 0.08284) < 1e-4
    far = beginning._longer_than(np.full(3, 1e4), np.full(3, 4.0), np.full(3, 0.1), luck_of[:3])
    assert (far >= 1e4).all()


def test_what_nobody_opened_keeps_the_mix_that_luck_has() -> None:
    """All that was received was active: that says nothing here of the rest."""
    lots = [Lot(40), Lot(40, Mould.ACTIVE)]
    found = Received("volume 1", None, "volume", Mould.ACTIVE, False, 15)
    lots = [replace(lot, series="A") for lot in lots]
    found = replace(found, series="A")
    begins, begun, plan = begun_after(lots, {"received": (found,)})
    assert begins.problems == ()
    unseen = categories(plan, luck.replication(plan, 0, 0))
    np.testing.assert_array_equal(begun.category[15:], unseen[15:])
    assert (plan.mould[begun.category[:15]] == Mould.ACTIVE).all()


def test_a_record_that_contradicts_itself_is_said_and_still_drawn() -> None:
    wrong = {"counts": (count("drying", 3), count("cleaning", 5))}
    begins, begun, _ = begun_after([Lot(10, Mould.ACTIVE)], wrong)
    said = " ".join(map(str, begins.problems))
    assert "5 were cleaned when 3 had come out of drying" in said
    assert "2 items fewer than finished the stages after it" in said
    assert at(begun)[1 + Stage.IMAGING] == 5


def test_sets_used_on_the_last_day_are_still_drying() -> None:
    sunday = WorkedDay(day(6), "AB", Stage.CLEANING, 2.0)
    friday = WorkedDay(day(4), "AB", Stage.CLEANING, 2.0)
    places = small_project([Lot(1)], [], [person("AB", "cleaning")]).places
    sets = replace(places, tool_sets=3, tool_drying_hours=24.0)
    _, begun, _ = begun_after([Lot(10)], {"days": (friday, sunday)}, places=sets)
    assert len(begun.start.tool_sets_clean_at) == 1
    assert 7 * 86_400 < begun.start.tool_sets_clean_at[0] <= 8 * 86_400
    _, begun, _ = begun_after([Lot(10)], {"days": (friday,)}, places=sets)
    assert len(begun.start.tool_sets_clean_at) == 0
