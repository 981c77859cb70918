"""What would help most: the bottleneck is found, and what is useless is said to be."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from forecast.compare import Outset, outset
from forecast.differences import Interval, OpenInterval
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.items import Mould
from forecast.levers import FULL, Lever, Levers, candidates, levers, limit_of, per_week
from forecast.paired import side_by_side
from forecast.people import TeamRow
from forecast.project import Project, WorkingTime
from forecast.scenario import SAFETY_KEYS, Add
from forecast.scenario_file import PlaceBounds, PostBounds, Search
from forecast.stages import PLACE_KEYS, Place, Stage
from forecast.weekly import Count
from tests.small_projects import Lot, day, per_item, person, share, small_project
from tests.small_returns import history, uncertain_project, week

DEMO = Path(__file__).parent.parent / "scenario_data" / "demo"


def _varying(project: Project, end: int = 25) -> Project:
    """Weeks, people and the time that reaches the stages vary; items do not."""
    time = WorkingTime(
        delivered_share=Estimate(0.7, 0.8, 0.9, at_most_one=True),
        absence_days_a_year=Estimate(5.0, 10.0, 30.0),
        practice=share(1.0),
        week_spread=Estimate(0.05, 0.1, 0.2),
    )
    items = project.total_items
    grant = replace(project.grant, end=day(end), horizon=day(400), items_promised=items)
    return replace(project, grant=grant, time=time)


def _paid(name: str, stages: str, role: str, rate: float | None = 20.0) -> TeamRow:
    return replace(person(name, stages), role=role, hourly_cost=rate)


def _cameras_short() -> Project:
    """Three could image, at one camera; cleaning and reboxing take no time to speak of."""
    team = [_paid(name, "imaging;reboxing", "operator") for name in ("QX", "VZ", "JW")]
    tasks = [per_item("imaging", 60.0), per_item("reboxing", 1.0)]
    off = frozenset(set(Stage) - {Stage.IMAGING, Stage.REBOXING})
    return _varying(small_project([Lot(150)], tasks, team, stages_off=off))


def _benches_short() -> Project:
    """Three clean at one bench, and one boxes."""
    team = [_paid(name, "cleaning", "conservator") for name in ("QX", "VZ", "JW")]
    tasks = [per_item("cleaning", 60.0), per_item("reboxing", 1.0)]
    off = frozenset(set(Stage) - {Stage.CLEANING, Stage.REBOXING})
    project = small_project(
        [Lot(150)], tasks, [*team, _paid("KY", "reboxing", "archivist")], stages_off=off
    )
    return _varying(replace(project, places=replace(project.places, cleaning_benches=1)))


def _hands_short() -> Project:
    """One boxes an item an hour; another images in a minute."""
    team = [_paid("QX", "reboxing", "archivist"), _paid("VZ", "imaging", "operator")]
    tasks = [per_item("imaging", 1.0), per_item("reboxing", 60.0)]
    off = frozenset(set(Stage) - {Stage.IMAGING, Stage.REBOXING})
    return _varying(small_project([Lot(150)], tasks, team, stages_off=off))


def _named(found: Levers, words: str) -> Lever:
    (lever,) = [each for each in found.levers if words in each.team]
    return lever


def _found(project: Project, search: Search | None = None, replications: int = 60) -> Levers:
    return levers(outset(project), search, replications=replications)


@pytest.fixture(scope="module")
def cameras() -> Levers:
    bounds = PlaceBounds("camera_stations", 1, 2, once=4_000.0, monthly=100.0)
    return _found(_cameras_short(), Search(places=(bounds,)))


class TestAnObviousBottleneck:
    def test_of_cameras_is_found(self, cameras: Levers) -> None:
        first = cameras.levers[0]
        assert first.team == "another camera station"
        assert first.shown
        assert (cameras.limit.stage, cameras.limit.place) == (Stage.IMAGING, Place.CAMERA)
        assert cameras.limit.busy > FULL
        assert first.half.estimate is not None
        # Two cameras take hardly more than half the weeks of one.
        base = cameras.comparison.base.finish_or_horizon.mean() / 7.0
        assert 0.4 * base < first.mean.estimate < 0.55 * base
        assert first.promise.low > 0.0

    def test_of_benches_is_found(self) -> None:
        found = _found(_benches_short())
        assert found.levers[0].team == "another cleaning bench"
        assert found.limit.place is Place.BENCH
        assert abs(_named(found, "like KY").mean.estimate) < 0.1 * found.levers[0].mean.estimate

    def test_of_a_person_is_found_and_no_place_helps(self) -> None:
        found = _found(_hands_short())
        first, *others = found.levers
        assert first.team == "another archivist (like QX)"
        assert first.shown
        assert (found.limit.stage, found.limit.place) == (Stage.REBOXING, None)
        assert found.limit.words == "people's hours for reboxing"
        for lever in others:
            assert not lever.shown
        for words in ("bench", "camera", "shelves", "drying"):
            assert _named(found, words).same

    def test_of_drying_places_is_found_with_the_number_of_a_fifth(self) -> None:
        team = [_paid("QX", "drying;cleaning;reboxing", "conservator")]
        tasks = [per_item("drying", 7.0), per_item("cleaning", 5.0), per_item("reboxing", 1.0)]
        off = frozenset({Stage.RECEIVING, Stage.QUARANTINE, Stage.COVERS, Stage.DESCRIBING})
        project = small_project(
            [Lot(60, Mould.ACTIVE)],
            tasks,
            team,
            stages_off=off | {Stage.IMAGING, Stage.CHECKING},
        )
        project = replace(project, places=replace(project.places, drying_items=6))
        found = _found(_varying(project))
        assert found.levers[0].team == "a fifth more drying places (2)"
        assert found.limit.place is Place.DRYER


class TestWhatDoesNotHelp:
    def test_changes_nothing_at_all(self, cameras: Levers) -> None:
        bench = _named(cameras, "bench")
        assert bench.same
        assert (bench.mean.estimate, bench.mean.low, bench.mean.high) == (0.0, 0.0, 0.0)
        assert bench.half.estimate == 0.0
        assert bench in cameras.levers[-4:]
        said = next(s for s in cameras.sentences(team=True) if "cleaning bench" in s)
        assert said == "Another cleaning bench changes nothing at all, in any of 60 futures."

    def test_or_shows_no_difference(self, cameras: Levers) -> None:
        unsure = replace(
            _named(cameras, "camera"),
            mean=Interval(0.1, -0.2, 0.4),
            promise=Interval(0.01, -0.02, 0.04),
        )
        assert not unsure.shown
        said = replace(cameras, levers=(unsure,)).sentences(team=True)
        assert said[1] == (
            "Another camera station makes no difference that 60 futures can show."
        )
        assert said[2] == "One more of a single thing does not help: two together may."

    def test_or_harms_which_is_said(self, cameras: Levers) -> None:
        worse = replace(_named(cameras, "camera"), mean=Interval(-0.5, -0.7, -0.3))
        said = replace(cameras, levers=(worse,)).sentences(team=True)[1]
        assert said.startswith(
            "Another camera station does not help: the work ends 0.5 weeks (0.3 to 0.7) later"
        )
        assert worse.harms
        assert not worse.shown

    def test_or_gains_too_little_for_a_quantile_to_show(self, cameras: Levers) -> None:
        nothing = OpenInterval(0.1, -0.4, 0.6)
        little = replace(
            _named(cameras, "camera"), mean=Interval(0.3, 0.1, 0.5), half=nothing, most=nothing
        )
        said = replace(cameras, levers=(little,)).sentences(team=True)[1]
        assert "gains 0.3 weeks (0.1 to 0.5) on average, which neither" in said
        open_ended = replace(little, half=OpenInterval(None, None, None))
        said = replace(cameras, levers=(open_ended,)).sentences(team=True)[1]
        assert "on average, which neither the median nor 90 % shows" in said


class TestCosts:
    def test_are_told_for_a_week_gained(self, cameras: Levers) -> None:
        camera = _named(cameras, "camera")
        assert camera.money is not None
        assert camera.per_week is not None
        ratio = camera.money.estimate / camera.mean.estimate
        assert camera.per_week.estimate == pytest.approx(ratio)
        assert camera.per_week.low < ratio < camera.per_week.high
        # 4,000 once, less three people's 40 hours at 20 for each of the weeks saved.
        rough = 4_000.0 - 2_400.0 * camera.mean.estimate
        assert camera.money.estimate == pytest.approx(rough, abs=700.0)
        said = next(s for s in cameras.sentences(team=True) if "camera station gains" in s)
        assert re.search(r"it saves [\d,]+ GBP in all", said)
        assert said.endswith("what limits then is the camera stations.")

    def test_of_a_place_are_not_told_unless_somebody_did(self, cameras: Levers) -> None:
        assert _named(cameras, "bench").money is None
        untold = _found(_cameras_short())
        camera = _named(untold, "camera")
        assert camera.money is None
        assert camera.per_week is None
        assert any("cost not told" in each for each in untold.sentences(team=True))

    def test_of_a_person_are_wages_and_what_the_bounds_say(self) -> None:
        project = _hands_short()
        post = PostBounds("QX", 1, once=1_000.0)
        plain = _named(_found(project), "like QX")
        dearer = _named(_found(project, Search(posts=(post,))), "like QX")
        assert plain.money is not None
        assert dearer.money is not None
        assert dearer.money.estimate == pytest.approx(plain.money.estimate + 1_000.0)
        assert plain.per_week is not None
        assert dearer.per_week is not None
        more = 1_000.0 / plain.mean.estimate
        assert dearer.per_week.estimate == pytest.approx(plain.per_week.estimate + more)

    def test_of_a_person_without_a_rate_are_not_told(self) -> None:
        project = _hands_short()
        free = tuple(replace(row, hourly_cost=None) for row in project.team)
        found = _found(replace(project, team=free))
        assert _named(found, "like QX").money is None

    def test_a_ratio_without_a_gain_has_no_interval(self) -> None:
        rng = np.random.default_rng(3)
        assert per_week(rng.normal(50.0, 5.0, 40), rng.normal(0.0, 1.0, 40)) is None

    def test_fiellers_interval_covers_the_ratio_as_often_as_it_says(self) -> None:
        rng = np.random.default_rng(11)
        hits = 0
        for _ in range(1_000):
            weeks = rng.normal(2.0, 3.0, 60)
            found = per_week(100.0 + 40.0 * weeks + rng.normal(0.0, 80.0, 60), weeks)
            assert found is not None
            hits += found.low <= (100.0 + 40.0 * 2.0) / 2.0 <= found.high
        # Binomial(1000, .95): 929 to 970 with 99.8 %.
        assert 929 <= hits <= 970


class TestWhatLimits:
    def test_is_a_place_only_if_it_is_full(self, cameras: Levers) -> None:
        taken = cameras.comparison.base.taken
        busy = taken.place_busy.copy()
        busy[:, Place.CAMERA] = FULL + 0.01
        assert limit_of(replace(taken, place_busy=busy)).place is Place.CAMERA
        busy[:, Place.CAMERA] = FULL - 0.01
        found = limit_of(replace(taken, place_busy=busy))
        assert (found.stage, found.place) == (Stage.IMAGING, None)
        assert found.words == "people's hours for imaging"

    def test_is_nothing_where_less_than_one_item_waits(self, cameras: Levers) -> None:
        taken = cameras.comparison.base.taken
        found = limit_of(replace(taken, waiting_items=np.full_like(taken.waiting_items, 0.9)))
        assert found.stage is None
        assert found.words == "nothing waits"
        assert math.isnan(found.busy)

    def test_is_said_of_each_lever_as_it_would_be_then(self, cameras: Levers) -> None:
        camera = _named(cameras, "camera")
        (again,) = side_by_side(
            [camera.side.project], range(60), as_of=cameras.comparison.start.as_of, by_day=False
        )
        assert camera.limit == limit_of(again)
        assert camera.limit.waiting < cameras.limit.waiting


# --- safety and privacy


def test_no_lever_touches_what_keeps_people_safe() -> None:
    project = read_project(DEMO)
    start = outset(project)
    found = candidates(start)
    assert len(found) == len(project.persons) + len(PLACE_KEYS)
    names = {key.split(".")[-1] for key in SAFETY_KEYS} | {key.split(".")[0] for key in SAFETY_KEYS}
    for scenario in found:
        (change,) = scenario.changes
        assert isinstance(change, Add)
        assert change.what in ("person", "place")
        assert not set(change.values) & (names - {"places"})
        assert change.values.get("place", "") not in names
        planned = start.planned(scenario)
        for field in ("exposure", "breathing", "sessions", "quarantine_days", "drying"):
            assert getattr(planned, field) == getattr(project, field), (scenario.name, field)
        assert planned.stages_off == project.stages_off
        assert planned.places.tool_drying_hours == project.places.tool_drying_hours
        assert planned.grant == project.grant
        assert planned.survey == project.survey


def test_people_who_do_mould_work_are_not_made_to_do_more_of_it() -> None:
    project = read_project(DEMO)
    start = outset(project)
    before = {row.person: row.mould_work for row in project.team}
    for scenario in candidates(start):
        for row in start.planned(scenario).team:
            if row.person in before:
                assert row in project.team


def test_outsiders_read_roles_and_the_team_reads_names() -> None:
    found = _found(_benches_short(), replications=5)
    team = {str(row["lever"]) for row in found.table(team=True)}
    assert {"another conservator (like QX)", "another archivist (like KY)"} <= team
    outside = [str(row["lever"]) for row in found.table(team=False)]
    assert "another archivist" in outside
    assert len(set(outside)) == len(outside)  # told apart without a name
    text = " ".join([*outside, *found.sentences(team=False)])
    assert not re.search(r"\b(QX|VZ|JW|KY)\b", text)
    assert re.search(r"\bQX\b", " ".join(found.sentences(team=True)))


# --- which there are, and in which order


def test_levers_are_sorted_by_what_they_gain(cameras: Levers) -> None:
    gains = [each.mean.estimate for each in cameras.levers if not each.same]
    assert gains == sorted(gains, reverse=True)
    assert [each.same for each in cameras.levers] == sorted(each.same for each in cameras.levers)
    rows = cameras.table(team=True)
    assert [row["lever"] for row in rows] == [each.team for each in cameras.levers]
    assert rows[0]["weeks"] == cameras.levers[0].mean.estimate
    assert rows[0]["money"] is not None
    assert rows[-1]["same"] is True


def test_weeks_gained_turn_days_later_about(cameras: Levers) -> None:
    first = cameras.levers[0]
    days = first.difference.at_half
    assert first.half.estimate == -(days.estimate or 0.0) / 7.0
    assert first.half.low == -(days.high or 0.0) / 7.0
    assert first.half.high == -(days.low or 0.0) / 7.0
    assert first.mean.low < first.mean.estimate < first.mean.high


def test_tool_sets_are_a_lever_only_where_they_are_limited() -> None:
    project = _benches_short()
    assert not any("tools" in each.name for each in candidates(outset(project)))
    limited = replace(project, places=replace(project.places, tool_sets=2))
    assert any("set of tools" in each.name for each in candidates(outset(limited)))


def test_progress_is_told_to_the_end() -> None:
    told: list[tuple[int, int]] = []
    project = _hands_short()
    found = levers(
        outset(project), replications=4, tell=lambda done, of: told.append((done, of))
    )
    plans = len(found.levers) + 1
    assert told[-1] == (4 * plans, 4 * plans)


def test_with_a_record_levers_begin_after_it_and_who_has_gone_is_no_pattern() -> None:
    base = uncertain_project()
    gone, *others = base.team
    team = (replace(gone, end=day(9)), *(replace(row, role="conservator") for row in others))
    small = tuple(replace(row, items=150) for row in base.collection)
    grant = replace(base.grant, items_promised=200)
    project = replace(base, team=team, collection=small, grant=grant)
    counts = (Count(Stage.CLEANING, "volume", Mould.INACTIVE, False, 5),)
    start = outset(project, history(week(0, counts), week(1, counts)))
    assert start.not_before == day(14)
    found = levers(start, replications=20)
    assert not any(f"like {gone.person}" in each.team for each in found.levers)
    helped = _named(found, f"like {others[0].person}")
    assert helped.shown
    added = [row for row in helped.side.project.team if row not in project.team]
    assert [row.start for row in added] == [day(14)]
    assert helped.side.taken.first_day == 14


def test_a_team_of_nobody_left_has_places_only() -> None:
    project = _hands_short()
    start = Outset(project, day(399))
    gone = replace(project, team=tuple(replace(row, end=day(3)) for row in project.team))
    found = candidates(replace(start, project=gone, weeks_on_record=1))
    assert all("like" not in each.name for each in found)
