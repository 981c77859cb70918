"""One more of a place: where it never delays anything, and where it does all the same."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from hypothesis import HealthCheck, given, settings

from forecast import engine, luck, tally
from forecast.estimates import Estimate
from forecast.paired import side_by_side
from forecast.project import Project
from forecast.stages import HANDLED_STAGES, Place, Stage
from tests.both import worked
from tests.random_projects import Case, cases
from tests.small_projects import Lot, per_item, person, share, small_project

FUTURES = 2
PROJECTS = 200


def with_another_camera(project: Project) -> Project:
    places = project.places
    return replace(project, places=replace(places, camera_stations=places.camera_stations + 1))


def one_stage_a_person(project: Project) -> Project:
    """Three people at imaging and one at each other stage, none of them at a second.

    No covers, rejects or tool sets. Nor what makes an item's minutes hang on when it is taken up
    (practice, good and bad weeks) or a session cost something of its own (a least length; what is
    photographed is clean, so that no camera station has to be cleared).
    """
    stages = [Stage.IMAGING, Stage.IMAGING, *(s for s in HANDLED_STAGES if s is not Stage.COVERS)]
    rows = list({row.person: row for row in project.team}.values())
    team = tuple(
        replace(
            rows[n % len(rows)],
            person=f"P{n}",
            stages=(stage,),
            mould_work=True,
            start=project.grant.start,
            end=None,
        )
        for n, stage in enumerate(stages)
    )
    all_cleaned = tuple(
        row
        for row in project.task_times
        if not (row.stage is Stage.CLEANING and row.average.is_zero)
    )
    # Long imaging at one station, and time enough: then the station is what limits.
    longer = tuple(
        replace(row, average=_times(20.0, row.average))
        if row.stage is Stage.IMAGING
        else row
        for row in all_cleaned
    )
    kept = {Place.SHELF, Place.DRYER, Place.BENCH}
    return replace(
        project,
        team=team,
        task_times=longer,
        day_plan=(),
        closures=tuple(closure for closure in project.closures if closure.person is None),
        stages_off=(project.stages_off | {Stage.COVERS}) - {Stage.CLEANING, Stage.IMAGING},
        checking=replace(project.checking, reject_share=share(0.0)),
        places=replace(project.places, tool_sets=None, camera_stations=1),
        place_changes=tuple(c for c in project.place_changes if c.place in kept),
        sessions=replace(project.sessions, shortest=0.0),
        time=replace(project.time, practice=share(1.0), week_spread=Estimate.known(0.0)),
        grant=replace(project.grant, horizon=project.grant.horizon + timedelta(days=400)),
    )


def _times(factor: float, estimate: Estimate) -> Estimate:
    return Estimate(factor * estimate.low, factor * estimate.likely, factor * estimate.high)


def ends(projects: list[Project], seed: int, index: int) -> list[tuple[bool, int]]:
    """For each plan, whether items are left at the horizon, and when the last one ended."""
    shared, found = luck.Shared(), []
    for project in projects:
        drawn = luck.replication(luck.plan(project), seed, index, shared)
        finished, end = tally.end_of(engine.run(drawn, 2, ("done",)))
        found.append((not finished, end))
    return found


def test_with_one_stage_a_person_another_camera_station_delays_nothing() -> None:
    earlier: list[int] = []
    projects: list[str] = []

    @settings(
        max_examples=PROJECTS,
        derandomize=True,  # what passed here passes on every machine
        database=None,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    )
    @given(cases())
    def holds(case: Case) -> None:
        project = one_stage_a_person(case.project)
        projects.append(project.title)
        for index in range(FUTURES):
            plans = [project, with_another_camera(project)]
            before, after = ends(plans, case.seed, index)
            assert after <= before, (case.seed, index)
            earlier.append(before[1] - after[1])

    holds()
    assert len(projects) >= PROJECTS
    # It is felt, too: the station did limit the work in some of them.
    assert sum(seconds > 0 for seconds in earlier) >= 40


def near_the_end_of_the_day(cameras: int) -> Project:
    """Items come to imaging every 93 minutes from 10:33 on, the last of five at 16:45."""
    minutes = {"volume": 94.0, "folder": 91.0, "map": 5.0}
    return small_project(
        [Lot(3, material="volume"), Lot(1, material="folder"), Lot(1, material="map")],
        [
            per_item("describing", 93.0),
            *(per_item("imaging", each, material) for material, each in minutes.items()),
        ],
        [person("AB", "describing"), person("CD", "imaging"), person("EF", "imaging")],
        places=replace(small_project([Lot(1)], [], []).places, camera_stations=cameras),
    )


def test_another_camera_station_may_delay_the_last_item() -> None:
    """With one station there is always somebody in a session, who takes the last item at 16:46.

    With two nobody is: all that came before is done by 16:43, and at 16:45 a quarter of an hour
    is left, too little to begin (R9).
    """
    one, two = (worked(near_the_end_of_the_day(number)) for number in (1, 2))
    assert one[-2:] == [
        "Mon 05 Jan 16:51:00 CD finishes item 4",
        "Mon 05 Jan 16:51:00 CD ends imaging",
    ], one
    assert two[-2:] == [
        "Tue 06 Jan 09:05:00 CD finishes item 4",
        "Tue 06 Jan 09:05:00 CD ends imaging",
    ], two
    plans = [near_the_end_of_the_day(number) for number in (1, 2)]
    alone, both = side_by_side(plans, range(3))
    assert alone.finish_day.tolist() == [0, 0, 0]
    assert both.finish_day.tolist() == [1, 1, 1]
