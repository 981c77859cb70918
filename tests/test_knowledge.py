"""What returns on record say reaches luck: a belief's tables, and where everything is."""

from __future__ import annotations

import pickle
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr

from forecast import engine, luck
from forecast.beginning import Fates, Start
from forecast.condition import SurveyRow
from forecast.drawing import CONDITION
from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.events import What
from forecast.items import Category, CollectionRow, Mould
from forecast.luck import Knowledge, Plan, Replication
from forecast.outcome import Futures
from forecast.project import Checking, Drying, Grant, Outcomes, Project, WorkingTime
from forecast.replicate import one_future, simulate
from forecast.rules import DONE, NO_STAGE
from forecast.stages import HANDLED_STAGES, N_STAGES, Stage
from tests.both import assert_same
from tests.cut import cut_at, without_numbers
from tests.small_projects import MONDAY, Lot, day, per_item, person, share, small_project
from tests.starts import nothing_yet

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Named = Callable[[Sequence[tuple[str, ...]]], Floats]


@dataclass(frozen=True)
class Drawn:
    values: Floats
    practice: Floats | None = None
    week_factor: Floats | None = None
    share: Floats | None = None
    mix: Floats | None = None
    box_items: Floats | None = None
    box_concentration: Floats | None = None


@dataclass(frozen=True)
class Belief:
    """What the plan itself has, with some tables instead."""

    tables: tuple[tuple[str, Any], ...] = ()

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
        names = [("estimate", *name) for name in plan.estimates.names]
        np.testing.assert_allclose(ndtr(normals(names)), uniforms(names), rtol=1e-12)
        return Drawn(plan.estimates.quantiles.at(uniforms(names)), **dict(self.tables))


@dataclass(frozen=True)
class Begun:
    """A start, and what it says of items' luck."""

    category: Ints
    start: Start
    set_aside: NDArray[np.int8]
    not_imaged: NDArray[np.int8]

    def settled(self, fates: Fates) -> tuple[Start, Fates]:
        applies = fates.applies.copy()
        applies[:, Stage.CHECKING] |= self.start.again | (self.start.stage == Stage.CHECKING)
        start = replace(self.start, rejections=fates.rejections)
        return start, replace(fates, applies=applies)


@dataclass(frozen=True)
class Beginning:
    """One start for all replications, that of a day's 00:00."""

    start: Start
    first_day: int
    exposure: Ints
    finished_before: Ints
    category: int | None = None  # counted from the first of all, for all items

    @property
    def last_day(self) -> date | None:
        """The day before."""
        return day(self.first_day - 1)

    def exposure_before(self, plan: Plan) -> Ints:
        """Everybody's, with the number of the first day for seconds."""
        return self.exposure + plan.first_day

    def draw(self, plan: Plan, category: Ints, values: Floats, rng: np.random.Generator) -> Begun:
        """Where everything is, which never changes."""
        # As-of dates are up to three days after the last on record here; standing still is longer.
        assert self.first_day <= plan.first_day <= self.first_day + 3
        assert plan.settings.start == plan.first_day * 86_400
        assert len(values) == len(plan.estimates.number)
        assert 0.0 < rng.random() < 1.0
        passed = self.start.has_passed
        begun = passed[:, list(HANDLED_STAGES)].any(axis=1) | (self.start.rounds > 0)
        to_image = (self.start.stage == Stage.IMAGING) | passed[:, Stage.IMAGING]
        return Begun(
            category if self.category is None else np.full_like(category, self.category),
            self.start,
            np.where(begun, 0, -1).astype(np.int8),
            np.where(to_image, 0, -1).astype(np.int8),
        )


_NONE = np.zeros((2, 6), dtype=np.int64)


def _project(**changes: Any) -> Project:
    """Everything uncertain but what would be drawn again of an item under way."""
    minutes = {"drying": 2.0, "covers": 6.0, "cleaning": 40.0, "imaging": 15.0, "reboxing": 4.0}
    tasks = [per_item(stage, number) for stage, number in minutes.items()]
    team = [person("AB", ";".join(minutes)), person("CD", "imaging;cleaning;reboxing;drying")]
    project = small_project(
        [Lot(9, Mould.ACTIVE), Lot(12, Mould.INACTIVE, bound=True), Lot(19)],
        [
            replace(task, average=Estimate(1.0, 2.0, 4.0), scatter=0.5)
            if task.stage is Stage.IMAGING
            else task
            for task in tasks
        ],
        team,
        time=WorkingTime(),
        drying=Drying(still_damp=share(0.0)),
        checking=Checking(share_checked=0.0, reject_share=share(0.0)),
    )
    return replace(project, **changes)


def _same(one: Replication, other: Replication, but: tuple[str, ...] = ()) -> None:
    for field in fields(Replication):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if field.name in but or field.name in ("settings", "start"):
            assert field.name != "settings" or a == b
            continue
        assert a.dtype == b.dtype, field.name
        np.testing.assert_array_equal(a, b, err_msg=field.name)


def _knowing(project: Project, first_day: int, knowledge: Knowledge, index: int = 0) -> Replication:
    return luck.replication(luck.plan(project, first_day, knowledge), 1, index)


# --- belief ------------------------------------------------------------------------------------


@pytest.mark.parametrize("knowledge", [Knowledge(), Knowledge(belief=Belief())])
def test_a_belief_that_has_learnt_nothing_is_the_plain_forecast(knowledge: Knowledge) -> None:
    project = _project()
    _same(_knowing(project, 0, knowledge), luck.replication(luck.plan(project), 1, 0))


@pytest.mark.parametrize("name", ["practice", "week_factor", "share"])
def test_each_table_of_a_belief_takes_the_place_of_the_plans(name: str) -> None:
    project = _project()
    plain = luck.replication(luck.plan(project), 1, 0)
    own = "delivered_share" if name == "share" else name
    table = np.asfortranarray(getattr(plain, own) * 0.5)
    drawn = _knowing(project, 0, Knowledge(belief=Belief(((name, table),))))
    np.testing.assert_array_equal(getattr(drawn, own), table)
    changed = {own} | ({"shift_end"} if name == "share" else set())
    _same(drawn, plain, tuple(changed))
    if name == "share":
        assert (drawn.shift_end - drawn.shift_begin).sum() < 0.6 * (
            plain.shift_end - plain.shift_begin
        ).sum()
    assert engine.record(drawn).tobytes() != engine.record(plain).tobytes()


def test_a_beliefs_values_are_those_of_the_estimates() -> None:
    project = _project()

    class Twice(Belief):
        def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Drawn:
            values = super().drawn(plan, normals, uniforms).values.copy()
            values[plan.per_item.row[:, Stage.IMAGING]] *= 2.0
            return Drawn(values)

    plain = luck.replication(luck.plan(project), 1, 0)
    drawn = _knowing(project, 0, Knowledge(belief=Twice()))
    np.testing.assert_allclose(
        drawn.base_seconds[:, Stage.IMAGING], 2.0 * plain.base_seconds[:, Stage.IMAGING]
    )
    _same(drawn, plain, ("base_seconds", "again_seconds"))


# --- what nobody has looked at, in boxes -------------------------------------------------------


def _unseen(items: int) -> Project:
    rows = (
        SurveyRow(Category("volume", Mould.ACTIVE, red_rot=False), 10),
        SurveyRow(Category("volume", Mould.NONE, red_rot=False), 30),
    )
    project = small_project([Lot(1)], [per_item("reboxing", 1.0)], [person("AB", "reboxing")])
    collection = (CollectionRow("A", "volume", items, 1.0, False, 1.0, 1.0),)
    return replace(project, collection=collection, survey=rows)


def _mouldy(project: Project, box: float, concentration: float, futures: int) -> Floats:
    """(futures, I) whether an item has growing mould, where a quarter has."""
    plan = luck.plan(project)
    active = plan.mould[: plan.alpha.shape[1]] == Mould.ACTIVE
    none = plan.mould[: plan.alpha.shape[1]] == Mould.NONE
    shares = np.zeros((1, plan.alpha.shape[1]))
    first = [int(np.flatnonzero(of & ~plan.red_rot[: len(of)])[0]) for of in (active, none)]
    shares[0, first] = 0.25, 0.75
    tables = (
        ("mix", shares.cumsum(axis=1)),
        ("box_items", np.array([box])),
        ("box_concentration", np.array([concentration])),
    )
    known = luck.plan(project, 0, Knowledge(belief=Belief(tables)))
    return np.array(
        [luck.replication(known, 1, n).mould == Mould.ACTIVE for n in range(futures)], dtype=float
    )


@pytest.mark.parametrize("concentration", [0.001, 0.5, 4.0, 1e6])
def test_items_of_a_box_are_alike_and_the_mix_stays(concentration: float) -> None:
    # The correlation of two items of a box is 1 / (1 + concentration), as of a Dirichlet's draws;
    # for two that follow each other in boxes of 20, 19 times of 20. 400 items, of which 40 are
    # seen and spread among them.
    found = _mouldy(_unseen(4000), 20.0, concentration, 100)
    assert found.mean() == pytest.approx(0.25, abs=0.02)
    before, after = found[:, :-1] - 0.25, found[:, 1:] - 0.25
    correlation = float((before * after).mean() / 0.1875)
    assert correlation == pytest.approx(0.95 / (1.0 + concentration) * 0.99**2, abs=0.03)


@pytest.mark.parametrize(("box", "concentration"), [(0.0, 1.0), (20.0, 0.0)])
def test_without_boxes_or_clusters_an_item_is_as_its_own_luck_has_it(
    box: float, concentration: float
) -> None:
    project = _unseen(300)
    plain = _mouldy(project, 0.0, 0.0, 3)
    np.testing.assert_array_equal(_mouldy(project, box, concentration, 3), plain)
    one = luck.plan(project)
    luck_of_items = luck._items_luck(one, luck._Draws(1, 0))
    unseen = luck_of_items[:, CONDITION] >= 0.75
    assert (plain[0] == unseen).mean() > 0.8  # all but those looked at


# --- where everything is -----------------------------------------------------------------------


def _begun_at(project: Project, first_day: int, index: int = 0) -> tuple[Beginning, Any]:
    """What stands on record of one plain future on a day, and the cut."""
    whole = luck.replication(luck.plan(project), 1, index)
    cut = cut_at(engine.record(whole), whole, first_day)
    assert cut is not None
    assert cut.luck.start is not None
    exposure = cut.luck.exposure_before - first_day
    beginning = Beginning(cut.luck.start, first_day, exposure, cut.luck.finished_before)
    return beginning, cut


@pytest.mark.parametrize("first_day", [0, 3, 7, 9])
def test_a_future_from_a_beginning_goes_on_as_the_one_that_it_was_cut_from(first_day: int) -> None:
    project = _project()
    beginning, cut = _begun_at(project, first_day)
    known = Knowledge(beginning, Belief())
    plan, drawn, rows = one_future(project, day(first_day - 1), 1, 0, knowledge=known)
    # Rounds behind items that are dry already are counted, and matter no more.
    _same(drawn, cut.luck, ("arrival", "practice", "rounds", "round_days"))
    left = cut.luck.practice.shape[1]
    np.testing.assert_array_equal(drawn.practice[:, :left], cut.luck.practice)
    happened = rows[rows[:, 1] < What.FOUND]
    assert_same(project, without_numbers(cut.after), without_numbers(happened))
    assert plan.first_day == first_day
    assert len(happened) > 20


def test_a_series_that_has_not_come_comes_on_its_date_or_at_once_where_that_is_past() -> None:
    project = _project()
    whole = luck.replication(luck.plan(project), 1, 0)
    beginning = Beginning(nothing_yet(whole), 14, _NONE, np.zeros(N_STAGES, np.int64))
    drawn = _knowing(project, 14, Knowledge(beginning))
    assert set(drawn.arrival.tolist()) == {14 * 86_400}
    rows = engine.record(drawn)
    assert (rows[:80:2, 1] == What.DELIVERED).all()


def test_categories_are_those_on_record() -> None:
    project = _project()
    whole = luck.replication(luck.plan(project), 1, 0)
    empty = (_NONE, np.zeros(N_STAGES, np.int64))
    for number in range(3):
        known = Knowledge(Beginning(nothing_yet(whole), 0, *empty, category=number))
        drawn = _knowing(project, 0, known)
        assert set(drawn.mould.tolist()) == {int(luck.plan(project).mould[number])}


def test_rounds_and_rejections_behind_an_item_say_nothing_of_those_to_come() -> None:
    project = _project(
        drying=Drying(still_damp=share(0.4)),
        checking=Checking(share_checked=0.5, reject_share=share(0.4)),
        outcomes=Outcomes(share(0.3), share(0.3)),
    )
    plain = luck.replication(luck.plan(project), 1, 0)
    items = np.arange(len(plain.arrival))
    imaged = np.int16(1 << Stage.IMAGING)
    start = replace(
        nothing_yet(plain),
        stage=np.where(items % 3 == 0, int(Stage.CHECKING), NO_STAGE).astype(np.int8),
        passed=np.where(items % 3 == 0, imaged, np.int16(0)),
        rounds=np.where(items % 3 == 1, 2, 0),
        again=items % 3 == 0,
    )
    empty = (_NONE, np.zeros(N_STAGES, np.int64))
    drawn = _knowing(project, 0, Knowledge(Beginning(start, 0, *empty)))
    begun = (start.passed > 0) | (start.rounds > 0)
    # What was in somebody's hands was not set aside, what is imaged is not "too fragile".
    assert plain.set_aside[begun].any()
    assert not drawn.set_aside[begun].any()
    np.testing.assert_array_equal(drawn.set_aside[~begun], plain.set_aside[~begun])
    assert plain.not_imaged[items % 3 == 0].any()
    assert not drawn.not_imaged[items % 3 == 0].any()
    assert drawn.applies[items % 3 == 0, Stage.CHECKING].all()
    np.testing.assert_array_equal(drawn.rounds - start.rounds, plain.rounds)
    assert drawn.start is not None
    np.testing.assert_array_equal(drawn.start.rejections, drawn.rejections)
    still = ~plain.not_imaged
    np.testing.assert_array_equal(drawn.rejections[still], plain.rejections[still])
    assert drawn.round_days.shape[1] == int(drawn.rounds[drawn.applies[:, Stage.DRYING]].max())


def test_any_hand_at_an_item_is_its_first_handling() -> None:
    project = _project(outcomes=Outcomes(share(1.0), share(0.0)))
    plain = luck.replication(luck.plan(project), 1, 0)
    empty = (_NONE, np.zeros(N_STAGES, np.int64))
    assert plain.set_aside.all()
    for stage in Stage:
        passed = np.full(len(plain.arrival), 1 << stage, dtype=np.int16)
        start = replace(nothing_yet(plain), passed=passed)
        drawn = _knowing(project, 0, Knowledge(Beginning(start, 0, *empty)))
        assert drawn.set_aside.all() == (stage not in HANDLED_STAGES)


@pytest.mark.parametrize("later", [0, 2, 30])
def test_a_plan_that_begins_later_knows_the_same_places_and_its_own_exposure(later: int) -> None:
    project = _project()
    whole = luck.replication(luck.plan(project), 1, 0)
    none = np.zeros((2, 6), dtype=np.int64)
    beginning = Beginning(nothing_yet(whole), 7, none, np.full(N_STAGES, 5))
    plan = luck.plan(project, 7 + later, Knowledge(beginning), 7)
    assert set(plan.exposure_before.reshape(-1).tolist()) == {7 + later}
    assert plan.finished_before.tolist() == [5] * N_STAGES
    assert plan.at_beginning.first_day == 7
    assert (plan.at_beginning is plan) == (later == 0)
    drawn = luck.replication(plan, 1, 0)  # the beginning looks at the plan that it is drawn for
    assert drawn.settings.start == (7 + later) * 86_400


# --- many futures --------------------------------------------------------------------------------


def _simulated(project: Project, **options: Any) -> Futures:
    return simulate(project, replications=12, progress=False, **options)


@pytest.mark.parametrize(
    ("as_of", "known_on", "first"),
    [
        (None, 13, 14),  # the Sunday of the last week on record
        (11, 11, 14),  # a Friday: its week counts, and is not simulated again
        (13, 13, 14),
        (16, 16, 17),
    ],
)
def test_the_simulation_begins_after_the_last_week_on_record(
    as_of: int | None, known_on: int, first: int
) -> None:
    project = _project()
    known = Knowledge(_begun_at(project, 14)[0])
    given = None if as_of is None else day(as_of)
    made = _simulated(project, as_of=given, knowledge=known, standstill=False, workers=1)
    assert (made.as_of, made.first_day) == (day(known_on), day(first))


def test_a_record_up_to_the_horizon_leaves_nothing_to_forecast() -> None:
    project = _project()
    beginning = replace(_begun_at(project, 14)[0], first_day=project.days)
    with pytest.raises(InputError) as found:
        _simulated(project, knowledge=Knowledge(beginning))
    assert [(p.file, p.read) for p in found.value.problems] == [
        ("as-of date", project.grant.horizon.isoformat())
    ]


def test_knowledge_goes_along_to_workers_and_strangers() -> None:
    project = _project(grant=Grant("", MONDAY, day(30), day(59), items_promised=40))
    known = Knowledge(_begun_at(project, 7)[0], Belief())
    alone = _simulated(project, knowledge=known, workers=1)
    with ThreadPoolExecutor(2) as pool:
        others = [
            _simulated(project, knowledge=known, workers=2),
            _simulated(project, knowledge=known, executor=pool),
            _simulated(project, knowledge=known, workers=1, model="readable"),
        ]
    for other in others:
        for field in fields(Futures):
            if field.name != "project":
                a, b = getattr(alone, field.name), getattr(other, field.name)
                np.testing.assert_array_equal(a, b, err_msg=field.name)
    plan = luck.plan(project, 7, known)
    assert pickle.loads(pickle.dumps(plan)).knowledge is not None
    without = _simulated(project, as_of=day(6), workers=1)
    assert np.median(without.finish_day) > np.median(alone.finish_day)


def test_what_was_done_before_counts_in_every_future() -> None:
    project = _project()
    beginning, cut = _begun_at(project, 9)
    made = _simulated(project, knowledge=Knowledge(beginning), workers=1, standstill=False)
    left = int((cut.luck.start.stage == DONE).sum())
    assert left > 0
    assert (made.done_by_day[:, 8] == left).all()
    assert (made.outcomes.sum(axis=1) == project.total_items).all()
    assert (made.weekly_items[:, 0] == cut.luck.start.weekly_items[0]).all()


def test_from_the_same_places_the_last_monday_is_later_than_from_nothing() -> None:
    end = 40
    project = _project(grant=Grant("", MONDAY, day(end), day(59), items_promised=40))
    dates: dict[str, date | None] = {}
    for name, known in (
        ("nothing", None),
        ("under way", Knowledge(_begun_at(project, 9)[0])),
    ):
        dates[name] = _simulated(project, as_of=day(8), knowledge=known, workers=1).no_longer_from
    assert dates["nothing"] is not None
    assert dates["under way"] is not None
    assert dates["nothing"] < dates["under way"] <= day(end + 7)
    assert dates["under way"].weekday() == 0


def test_a_promise_that_is_kept_already_can_be_met_whenever_work_goes_on() -> None:
    project = _project(grant=Grant("", MONDAY, day(40), day(59), items_promised=1))
    known = Knowledge(_begun_at(project, 9)[0])
    assert _simulated(project, knowledge=known, workers=1).no_longer_from is None
    assert _simulated(project, as_of=day(8), workers=1).no_longer_from is not None


def test_days_that_pass_while_work_stands_still_are_over_by_then() -> None:
    # The last item is in the dryer until day 9, then done in one short session: from any Monday.
    project = small_project(
        [Lot(1, Mould.ACTIVE)],
        [per_item("drying", 2.0), per_item("cleaning", 20.0)],
        [person("AB", "drying;cleaning")],
        grant=Grant("", MONDAY, day(20), day(59), items_promised=1),
    )
    whole = luck.replication(luck.plan(project), 1, 0)
    one = np.ones(1)
    start = replace(
        nothing_yet(whole),
        stage=(one * Stage.DRYING).astype(np.int8),
        passed=(2 * one).astype(np.int16),
        shelf=one > 0,
        dryer=one > 0,
        due_day=(9 * one).astype(np.int64),
    )
    beginning = Beginning(start, 7, -7 * np.ones((1, 6), np.int64), np.zeros(N_STAGES, np.int64))
    made = _simulated(project, knowledge=Knowledge(beginning), workers=1)
    assert set(made.finish_day.tolist()) == {9}
    assert made.no_longer_from == day(20) + timedelta(days=1)  # the Monday after the end
