"""Plans side by side: what each comes to alone, whoever works and whatever stands beside it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import fields, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast import luck, paired, recalibrate, return_files
from forecast.errors import InputError
from forecast.estimates import Estimate
from forecast.folder import read_project
from forecast.history import History
from forecast.outcome import Futures
from forecast.paired import Taken, side_by_side
from forecast.people import Closure
from forecast.planning import Knowledge
from forecast.project import PlaceChange, Project
from forecast.replicate import simulate
from forecast.stages import Place, Stage
from tests.random_projects import Case, cases

DATA = Path(__file__).parents[1] / "scenario_data"
AS_OF = date(2026, 5, 24)

some = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.fixture(scope="module")
def demo() -> Project:
    return read_project(DATA / "demo")


@pytest.fixture(scope="module")
def known(demo: Project) -> Knowledge:
    """What the demo's returns come to."""
    weeks = sorted(p for p in (DATA / "demo_returns").iterdir() if p.name.startswith("20"))
    told = History(tuple(return_files.read_return(week, demo) for week in weeks))
    return recalibrate.known(demo, told, AS_OF)


def with_places(project: Project, **numbers: int) -> Project:
    return replace(project, places=replace(project.places, **numbers))


def with_another(project: Project, person: str, start: date, name: str = "a post") -> Project:
    """Somebody like one there is, from a date on."""
    like = next(row for row in project.team if row.person == person)
    return replace(
        project, team=(*project.team, replace(like, person=name, start=start, end=None))
    )


Change = Callable[[Project], Project]


def changes_of(start: date) -> dict[str, Change]:
    """Changes of all that a plan has, one after the other; none before a date."""
    later = start + timedelta(days=40)

    def minutes(project: Project) -> Project:
        first, *others = project.task_times
        own = first.average
        more = Estimate(1.5 * own.low, 1.5 * own.likely, 1.5 * own.high)
        return replace(project, task_times=(replace(first, average=more), *others))

    def time(project: Project, **changes: Any) -> Project:
        return replace(project, time=replace(project.time, **changes))

    def grant(project: Project, **changes: Any) -> Project:
        return replace(project, grant=replace(project.grant, **changes))

    return {
        "nothing": lambda p: replace(p, title="Another", input_sha256="0"),
        "a bench": lambda p: with_places(p, cleaning_benches=p.places.cleaning_benches + 1),
        "shelves for a while": lambda p: replace(
            p,
            place_changes=(
                *p.place_changes,
                PlaceChange(Place.SHELF, 1, later, later + timedelta(days=20)),
            ),
        ),
        "drying room": lambda p: with_places(p, drying_items=2 * p.places.drying_items + 3),
        "a person": lambda p: with_another(p, p.persons[0], start),
        "a person before the others": lambda p: replace(
            p, team=with_another(p, p.persons[0], later, "another post").team[::-1]
        ),
        "nobody for a while": lambda p: replace(
            p, closures=(*p.closures, Closure(later, later + timedelta(days=9)))
        ),
        "fewer promised": lambda p: grant(p, items_promised=p.grant.items_promised // 2),
        "a later horizon": lambda p: grant(p, horizon=p.grant.horizon + timedelta(days=30)),
        "longer minutes": minutes,
        "no absence": lambda p: time(p, absence_days_a_year=Estimate.known(0.0)),
        "less delivered": lambda p: time(p, delivered_share=Estimate(0.3, 0.4, 0.5, True)),
        "good and bad weeks": lambda p: time(p, week_spread=Estimate(0.1, 0.2, 0.4)),
        "practice": lambda p: time(p, practice_starts_at=2.0 * p.time.practice_starts_at),
        "longer quarantine": lambda p: replace(p, quarantine_days=p.quarantine_days + 5),
        "longer drying": lambda p: replace(
            p, drying=replace(p.drying, month_factor=(2.0,) * 12)
        ),
        "no covers": lambda p: replace(p, stages_off=p.stages_off | {Stage.COVERS}),
        "all checked": lambda p: replace(p, checking=replace(p.checking, share_checked=1.0)),
    }


def plans_of(project: Project, start: date) -> dict[str, Project]:
    """The project, and with each of the changes."""
    return {"base": project} | {n: make(project) for n, make in changes_of(start).items()}


def expected(futures: Futures, first: int = 0) -> dict[str, Any]:
    """The fields of what is taken, from futures."""
    promised = futures.done_by_day >= futures.project.grant.items_promised
    end = min(futures.end_day, futures.project.days - 1)
    all_of = {
        "finish_day": futures.finish_day,
        "done_by_end": futures.done_by_day[:, end],
        "promise_day": np.where(promised.any(axis=1), promised.argmax(axis=1), -1),
        "done_by_day": futures.done_by_day,
        "exposure_hours": futures.weekly_exposure.sum(axis=(1, 2)) / 3600,
        "place_busy": futures.place_busy,
        "waiting_days": futures.waiting_days,
        "waiting_items": futures.waiting_items,
        "images": futures.images,
    }
    return {name: values[first:] for name, values in all_of.items()}


def assert_alike(taken: Taken, values: dict[str, Any], what: str) -> None:
    for name, value in values.items():
        if name == "done_by_day" and taken.done_by_day is None:
            continue
        np.testing.assert_array_equal(getattr(taken, name), value, err_msg=f"{what}: {name}")
        assert getattr(taken, name).tobytes() == value.astype(getattr(taken, name).dtype).tobytes()


def assert_same(one: Taken, other: Taken) -> None:
    """Every byte."""
    for field in fields(Taken):
        a, b = getattr(one, field.name), getattr(other, field.name)
        if isinstance(a, np.ndarray):
            assert (a.dtype, a.tobytes()) == (b.dtype, b.tobytes()), field.name
        else:
            assert a == b, field.name


def alone(project: Project, number: int, **more: Any) -> Futures:
    return simulate(
        project, replications=number, workers=1, progress=False, standstill=False, **more
    )


# --- equal to what each comes to alone


def test_each_plan_comes_to_what_it_comes_to_alone(demo: Project) -> None:
    plans = plans_of(demo, demo.grant.start)
    found = side_by_side(list(plans.values()), range(2), seed=5)
    for (name, plan), taken in zip(plans.items(), found, strict=True):
        assert taken.project is plan
        assert_alike(taken, expected(alone(plan, 2, seed=5)), name)
    # The changes are felt, but for the one that is none.
    finishes = {name: taken.finish_day.tolist() for name, taken in zip(plans, found, strict=True)}
    assert finishes.pop("nothing") == finishes.pop("base")
    assert len({tuple(days) for days in finishes.values()}) > 10


def test_from_a_record_as_well(demo: Project, known: Knowledge) -> None:
    plans = plans_of(demo, AS_OF + timedelta(days=1))
    found = side_by_side(list(plans.values()), range(1, 3), as_of=AS_OF, seed=5, knowledge=known)
    for (name, plan), taken in zip(plans.items(), found, strict=True):
        futures = alone(plan, 3, seed=5, as_of=AS_OF, knowledge=known)
        assert_alike(taken, expected(futures, 1), name)
        assert taken.project.date_of(taken.first_day) == futures.first_day == date(2026, 5, 25)
        assert taken.end_day == futures.end_day


@some
@given(cases(), st.data())
def test_random_projects_come_to_the_same_as_alone(case: Case, data: Any) -> None:
    project = case.project
    plans = [project]
    for name, make in changes_of(project.grant.start).items():
        if data.draw(st.booleans(), label=name):
            plans.append(make(data.draw(st.sampled_from(plans))))
    found = side_by_side(plans, range(2), seed=case.seed)
    for plan, taken in zip(plans, found, strict=True):
        assert_alike(taken, expected(alone(plan, 2, seed=case.seed)), plan.title)


# --- who works, and with whom


def test_neither_workers_nor_company_change_a_byte(demo: Project, known: Knowledge) -> None:
    plans = list(plans_of(demo, AS_OF + timedelta(days=1)).values())[:6]
    common: dict[str, Any] = {"as_of": AS_OF, "knowledge": known}
    together = side_by_side(plans, range(9), workers=2, **common)
    for plan, taken in zip(plans, together, strict=True):
        [by_itself] = side_by_side([plan], range(9), workers=1, **common)
        assert_same(taken, by_itself)
    turned = side_by_side(plans[::-1], range(9), workers=3, **common)
    for one, other in zip(together, turned[::-1], strict=True):
        assert_same(one, other)


def test_more_futures_are_joined(demo: Project) -> None:
    plans = [demo, with_places(demo, cleaning_benches=3)]
    first, second = (side_by_side(plans, range(*ends)) for ends in ((0, 5), (5, 12)))
    for one, other, whole in zip(first, second, side_by_side(plans, range(12)), strict=True):
        assert_same(one.joined(other), whole)
        assert_same(whole.first(5), one)


def test_futures_that_do_not_belong_together_are_not_joined(demo: Project) -> None:
    plans = [demo, with_places(demo, cleaning_benches=3)]
    one, other = side_by_side(plans, range(1))
    with pytest.raises(ValueError, match="one plan"):
        one.joined(other)
    [short] = side_by_side([demo], range(1), by_day=False)
    with pytest.raises(ValueError, match="every day"):
        one.joined(short)


def test_a_plan_that_says_the_same_differs_by_nothing(demo: Project, known: Knowledge) -> None:
    same = replace(demo, title="Said otherwise", team=(*demo.team[:1], *demo.team[1:]))
    for more in ({}, {"as_of": AS_OF, "knowledge": known}):
        one, other = side_by_side([demo, same], range(4), **more)  # type: ignore[arg-type]
        assert_same(replace(one, project=same), other)


def test_without_every_day_the_rest_is_the_same(demo: Project, known: Knowledge) -> None:
    common: dict[str, Any] = {"as_of": AS_OF, "knowledge": known}
    [short] = side_by_side([demo], range(3), by_day=False, **common)
    [whole] = side_by_side([demo], range(3), **common)
    assert short.done_by_day is None
    assert_same(short, replace(whole, done_by_day=None))


# --- telling and stopping


def at_work() -> list[str]:
    return [each.name for each in threading.enumerate() if each.name.startswith("plans")]


def test_it_tells_how_far_it_is(demo: Project) -> None:
    told: list[tuple[int, int]] = []
    threads: set[threading.Thread] = set()

    def tell(done: int, of: int) -> None:
        told.append((done, of))
        threads.add(threading.current_thread())

    side_by_side([demo, with_places(demo, camera_stations=2)], range(20), tell=tell, workers=2)
    assert told[0][1] == 40
    assert told[-1] == (40, 40)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert {done for done, _ in told} & set(range(1, 40))
    assert threads == {threading.current_thread()}


def test_it_stops_when_asked_with_what_is_done_under_all_plans(demo: Project) -> None:
    plans = [demo, with_places(demo, cleaning_benches=3)]
    done = 0

    def tell(number: int, _: int) -> None:
        nonlocal done
        done = number

    found = side_by_side(plans, range(400), workers=2, tell=tell, stop=lambda: done >= 60)
    assert not at_work()
    number = found[0].replications
    assert 20 <= number < 400
    whole = side_by_side(plans, range(number))
    for one, other in zip(found, whole, strict=True):
        assert_same(one, other)


def test_stopped_at_once_there_is_nothing(demo: Project) -> None:
    [taken] = side_by_side([demo], range(100), stop=lambda: True)
    assert taken.replications < 100
    assert len(taken.place_busy) == taken.replications


def test_a_failure_of_the_teller_stops_the_work(demo: Project) -> None:
    def tell(done: int, _: int) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        side_by_side([demo], range(2_000), tell=tell)
    assert not at_work()


def test_arguments_out_of_range_are_refused(demo: Project) -> None:
    with pytest.raises(InputError, match="replications"):
        side_by_side([demo], range(0))
    with pytest.raises(InputError, match="as-of date"):
        side_by_side([demo], range(1), as_of=date(2039, 1, 1))
    with pytest.raises(InputError, match="workers"):
        side_by_side([demo], range(1), workers=0)
    assert side_by_side([], range(1)) == []


# --- what is shared


def drawn(plans: Sequence[Project], knowledge: Knowledge | None = None) -> list[luck.Replication]:
    """The same future of some plans, with what they share shared."""
    shared, first = luck.Shared(), 0 if knowledge is None else 140
    return [luck.replication(luck.plan(p, first, knowledge), 1, 0, shared) for p in plans]


@pytest.mark.parametrize("name", ["a bench", "a person", "nobody for a while", "fewer promised"])
def test_people_and_places_leave_items_as_they_are(
    demo: Project, known: Knowledge, name: str
) -> None:
    changed = changes_of(AS_OF + timedelta(days=1))[name](demo)
    for knowledge in (None, known):
        one, other = drawn([demo, changed], knowledge)
        for field in ("applies", "base_seconds", "round_days", "practice", "week_factor", "start"):
            assert getattr(one, field) is getattr(other, field), field


def test_what_one_plan_changes_is_its_own(demo: Project) -> None:
    one, other = drawn([demo, changes_of(AS_OF)["longer minutes"](demo)])
    assert one.base_seconds is not other.base_seconds
    assert one.shift_end is other.shift_end
    one, other = drawn([demo, changes_of(AS_OF)["no absence"](demo)])
    assert one.base_seconds is other.base_seconds
    assert (one.shift_end != other.shift_end).any()


def test_its_public_names_are_there() -> None:
    assert paired.__all__ == sorted(paired.__all__)
    assert all(hasattr(paired, name) for name in paired.__all__)
