"""Why the date moved: shares that add up, the right cause where only one thing changed, words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from typing import Any, cast

import numpy as np
import pytest
from numpy.typing import NDArray

from forecast import luck, recalibrate
from forecast.attribution import CAUSES, Cause, Mixture, State, Why, explain
from forecast.belief import Belief, Drawn
from forecast.closed_loop import World, made_up_project, truth_of
from forecast.estimates import Estimate
from forecast.history import NOTHING_YET, History
from forecast.outcome import NOT_BY_HORIZON, Futures
from forecast.paired import Taken, together
from forecast.planning import Knowledge, Named, Plan
from forecast.project import Project
from forecast.replicate import job_of, simulate
from forecast.weekly import WeeklyReturn
from tests.small_returns import uncertain_project

FIRST = date(2026, 1, 11)
LATER = date(2026, 2, 8)
FUTURES = 60

Floats = NDArray[np.float64]


# --- stubs: every cause moves the date by so much, and some of them meet


@dataclass(frozen=True)
class Stub:
    """Believes that every estimate lies so far above a number of each future's own."""

    above: float

    def drawn(self, plan: Plan, normals: Named, uniforms: Named) -> Any:
        del uniforms
        base = float(normals([("estimate", "time.practice")])[0])
        return Drawn(
            values=np.full(len(plan.estimates.number), base + self.above),
            practice=np.full((9, 2), self.above),
            week_factor=np.full((9, 2), self.above),
            share=np.full(2, self.above),
            mix=np.full((2, 2), self.above),
        )


@dataclass
class Effects:
    """Days by which each cause moves a stub's finish; ``meeting`` is days of minutes by hours."""

    minutes: float = 0.0
    hours: float = 0.0
    condition: float = 0.0
    drying: float = 0.0
    progress: float = 0.0
    plan: float = 0.0
    meeting: float = 0.0
    calls: int = 0

    def __call__(self, mixtures: Sequence[Mixture]) -> list[Finished]:
        return [self.of(m.project, m.as_of, m.knowledge) for m in mixtures]

    def of(self, project: Project, as_of: date, knowledge: Knowledge) -> Finished:
        self.calls += 1
        plan = luck.plan(uncertain_project())
        number = plan.estimates.number
        belief = knowledge.belief
        assert belief is not None
        days = []
        for index in range(FUTURES):

            def normals(
                names: Sequence[tuple[str, ...]], places: Any = None, /, index: int = index
            ) -> Floats:
                del places
                return np.array([luck.stream(1, index, *n).standard_normal() for n in names])

            drawn = belief.drawn(plan, normals, normals)
            own = float(normals([("estimate", "time.practice")])[0])
            moved = drawn.values - own
            assert drawn.practice is not None
            assert drawn.share is not None
            assert drawn.mix is not None
            minutes = float(drawn.practice[0, 0])
            assert moved[number["time.practice",]] == pytest.approx(minutes)
            hours = float(drawn.share[0])
            assert moved[number["time.delivered_share",]] == pytest.approx(hours)
            drying = float(moved[number["drying.still_damp",]])
            assert moved[number["checking.reject_share",]] == pytest.approx(drying)
            images = next(n for n in number if n[:1] == ("collection.csv",))
            assert moved[number[images]] == pytest.approx(float(drawn.mix[0, 0]))
            days.append(
                100.0
                + 10.0 * own
                + minutes * self.minutes
                + hours * self.hours
                + float(drawn.mix[0, 0]) * self.condition
                + drying * self.drying
                + minutes * hours * self.meeting
                + (as_of > FIRST) * self.progress
                + (project.grant.items_promised != 2_000) * self.plan
            )
        finish = np.round(days).astype(np.int32)
        done = np.zeros((FUTURES, project.days), dtype=np.int32)
        for row, day in zip(done, finish, strict=True):
            row[day:] = 3_000
        return Finished(project, finish, done)


@dataclass(frozen=True)
class Finished:
    project: Project
    finish_day: NDArray[np.int32]
    done_by_day: NDArray[np.int32]


def stub_knowledge(project: Project, history: History, as_of: date) -> Knowledge:
    del project, history
    return Knowledge(None, cast("Any", Stub(1.0 if as_of > FIRST else 0.0)))


def stub_states(*, other_plan: bool = False) -> tuple[State, State]:
    before = uncertain_project()
    grant = replace(before.grant, end=date(2026, 4, 15))
    before = replace(before, grant=grant)
    after = replace(before, grant=replace(grant, items_promised=2_500)) if other_plan else before
    return State(before, NOTHING_YET, FIRST), State(after, NOTHING_YET, LATER)


def shares(why: Why) -> dict[str, float]:
    return {cause.name: cause.days for cause in why.causes}


def test_each_cause_gets_what_it_moved() -> None:
    effects = Effects(minutes=7, hours=-3, condition=11, drying=2, progress=5)
    why = explain(*stub_states(), stub_knowledge, effects)
    assert shares(why) == pytest.approx(
        {
            "progress made": 5.0,
            "minutes an item": 7.0,
            "hours delivered": -3.0,
            "condition found": 11.0,
            "drying and rejects": 2.0,
        }
    )
    assert why.days == pytest.approx(22.0)
    assert (why.before, why.after, why.replications) == (FIRST, LATER, FUTURES)
    assert why.finish_before is not None
    assert why.finish_after is not None
    assert abs((why.finish_after - why.finish_before).days - 22) <= 1  # of a median between days
    assert effects.calls == 32


def test_what_two_causes_do_together_is_halved_and_all_adds_up() -> None:
    effects = Effects(minutes=6, hours=4, meeting=10)
    why = explain(*stub_states(), stub_knowledge, effects)
    assert shares(why)["minutes an item"] == pytest.approx(11.0)
    assert shares(why)["hours delivered"] == pytest.approx(9.0)
    assert why.days == pytest.approx(20.0)


def test_the_odds_add_up_too() -> None:
    why = explain(*stub_states(), stub_knowledge, Effects(minutes=7, hours=-3, drying=6))
    assert why.odds_after < why.odds_before
    assert why.odds == pytest.approx(why.odds_after - why.odds_before, abs=1e-12)


def test_a_changed_plan_is_a_cause_of_its_own_and_only_then() -> None:
    effects = Effects(minutes=3, plan=20)
    why = explain(*stub_states(other_plan=True), stub_knowledge, effects)
    assert tuple(cause.name for cause in why.causes) == CAUSES
    assert shares(why)["changes of the plan"] == pytest.approx(20.0)
    assert effects.calls == 64
    assert "changes of the plan" not in shares(explain(*stub_states(), stub_knowledge, Effects()))


def test_other_words_in_the_files_are_no_other_plan() -> None:
    before, after = stub_states()
    commented = replace(after.project, input_sha256="of a file with one more comment")
    why = explain(before, replace(after, project=commented), stub_knowledge, Effects())
    assert len(why.causes) == 5


def test_what_is_not_finished_by_the_horizon_stands_on_the_day_after_it() -> None:
    class Never(Effects):
        def of(self, project: Project, as_of: date, knowledge: Knowledge) -> Finished:
            futures = super().of(project, as_of, knowledge)
            if as_of > FIRST:
                futures.finish_day[:] = NOT_BY_HORIZON
                futures.done_by_day[:] = 0
            return futures

    why = explain(*stub_states(), stub_knowledge, Never())
    assert why.finish_before is not None
    assert why.finish_after is None
    horizon = uncertain_project().grant.horizon
    beyond = (horizon + timedelta(days=1) - why.finish_before).days
    assert abs(shares(why)["progress made"] - beyond) <= 1
    assert "counting what is not finished by the horizon as finished on its next day" in (
        why.sentences()[0]
    )


# --- a made-up project with real beliefs

WEEKS = 10


@lru_cache
def small(*, hours_known: bool = False) -> Project:
    """A third of the project of the closed loop."""
    project = made_up_project()
    time = project.time
    if hours_known:
        time = replace(
            time,
            delivered_share=Estimate(0.75, 0.75, 0.75, at_most_one=True),
            absence_days_a_year=Estimate.known(6.0),
        )
    return replace(
        project,
        time=time,
        grant=replace(
            project.grant, items_promised=200, end=date(2026, 6, 30), horizon=date(2027, 6, 30)
        ),
        collection=tuple(replace(row, items=25) for row in project.collection),
        deliveries=tuple(replace(each, items=50) for each in project.deliveries),
    )


@lru_cache
def known_now() -> Knowledge:
    return recalibrate.known(small(), on_record(), on_record().returns[-1].last_day)


@lru_cache
def on_record() -> History:
    world = World("as assumed", lambda _plan, drawn, _lucky: drawn)
    return History(truth_of(small(), world, 1, 1).returns[:WEEKS])


def longer(told: WeeklyReturn, times: float) -> WeeklyReturn:
    """The same week, in which all work took so much longer."""
    return replace(
        told,
        hours=tuple(
            row if row.stage is None else replace(row, hours=row.hours * times)
            for row in told.hours
        ),
    )


def simulated(project: Project, as_of: date, knowledge: Knowledge) -> Futures:
    return simulate(
        project, as_of, FUTURES, 1, progress=False, standstill=False, knowledge=knowledge
    )


def mixed(mixtures: Sequence[Mixture]) -> list[Taken]:
    """What :func:`simulated` comes to for each, drawn together."""
    jobs = [job_of(m.project, m.as_of, FUTURES, 1, knowledge=m.knowledge) for m in mixtures]
    return together(jobs, range(FUTURES))


def adds_up(why: Why, before: Futures, after: Futures) -> None:
    """The shares are of the change between these two, and of nothing else."""
    start = before.project.grant.start.toordinal()
    middle = [float(np.median(each.finish_day)) + start for each in (before, after)]
    assert why.days == pytest.approx(middle[1] - middle[0], abs=1e-9)
    assert why.odds == pytest.approx(why.odds_after - why.odds_before, abs=1e-12)


def test_with_longer_hours_alone_the_minutes_are_the_cause() -> None:
    project = small(hours_known=True)
    as_of = on_record().returns[-1].last_day
    slower = History(tuple(longer(told, 1.4) for told in on_record().returns))
    old, new = State(project, on_record(), as_of), State(project, slower, as_of)
    why = explain(old, new, recalibrate.known, mixed)
    of = {name: abs(days) for name, days in shares(why).items()}
    assert why.days > 4.0
    assert of["minutes an item"] >= 0.95 * sum(of.values()), of
    adds_up(
        why,
        *(simulated(project, as_of, recalibrate.known(*vars(s).values())) for s in (old, new)),
    )


def test_where_nothing_changed_nothing_is_shared_out() -> None:
    as_of = on_record().returns[-1].last_day
    state = State(small(), on_record(), as_of)
    why = explain(state, state, recalibrate.known, mixed)
    for cause in why.causes:
        assert (cause.days, cause.days_low, cause.days_high) == (0.0, 0.0, 0.0)
        assert (cause.odds, cause.odds_low, cause.odds_high) == (0.0, 0.0, 0.0)
    assert why.that_matter() == ()
    assert "the middle finish date has hardly moved" in why.sentences()[0]


def test_with_another_mix_alone_the_condition_found_is_the_cause() -> None:
    project, as_of = small(), on_record().returns[-1].last_day
    known = known_now()
    assert isinstance(known.belief, Belief)
    assert known.belief.mix is not None
    # All that is left is mouldy and growing: the last categories are.
    mouldy = known.belief.mix.alpha.copy()
    mouldy[:, -2:] *= 50.0
    worse = replace(known.belief, mix=replace(known.belief.mix, alpha=mouldy))
    later = History((*on_record().returns[:-1], replace(on_record().returns[-1], notes=())))
    assert later == on_record()
    told = {True: Knowledge(known.beginning, worse), False: known}

    def knowledge(_project: Project, history: History, _as_of: date) -> Knowledge:
        return told[history is later]

    why = explain(
        State(project, on_record(), as_of), State(project, later, as_of), knowledge, mixed
    )
    of = {name: abs(days) for name, days in shares(why).items()}
    assert abs(why.days) > 2.0
    assert of["condition found"] >= 0.95 * sum(of.values()), of


def test_with_another_plan_alone_the_plan_is_the_cause() -> None:
    project, as_of = small(), on_record().returns[-1].last_day
    fewer = replace(
        project, team=tuple(replace(row, hours=(3.0,) * 5 + (0.0, 0.0)) for row in project.team)
    )
    # The same is known: what would be learnt with other hours on the rota is another matter.
    known = known_now()
    why = explain(
        State(project, on_record(), as_of),
        State(fewer, on_record(), as_of),
        lambda _project, _history, _as_of: known,
        mixed,
    )
    of = {name: abs(days) for name, days in shares(why).items()}
    assert why.days > 7.0
    assert of["changes of the plan"] >= 0.95 * sum(of.values()), of


def test_a_week_of_real_progress_adds_up() -> None:
    project = small()
    before = History(on_record().returns[:-3])
    old, new = (State(project, h, h.returns[-1].last_day) for h in (before, on_record()))
    why = explain(old, new, recalibrate.known, mixed)
    adds_up(
        why,
        *(simulated(project, s.as_of, recalibrate.known(*vars(s).values())) for s in (old, new)),
    )
    assert sum(abs(days) for days in shares(why).values()) > 0.0


# --- in words


def cause(name: str, days: float = 0.0, odds: float = 0.0, unsure: float = 1.0) -> Cause:
    return Cause(
        name, days, days - unsure, days + unsure, odds, odds - unsure / 100, odds + unsure / 100
    )


def a_why(*causes: Cause, before: float = 0.62, after: float = 0.41) -> Why:
    return Why(
        date(2026, 3, 8),
        date(2026, 3, 15),
        date(2026, 11, 2),
        date(2026, 11, 12),
        before,
        after,
        200,
        causes,
    )


def test_the_change_and_each_cause_that_matters_is_a_sentence_the_largest_first() -> None:
    why = a_why(
        cause("progress made", 0.4),
        cause("minutes an item", -3.0, 0.04),
        cause("hours delivered", 12.4, -0.21),
        cause("condition found", 2.5, unsure=4.0),
        cause("drying and rejects", 0.2, -0.03),
    )
    first, *causes = why.sentences()
    went = "the odds of the promise went from 6 in 10 to 4 in 10."
    assert first == f"{_MOVED} 13 days later, and {went}"
    luck_, made = "with other luck", "and made the odds"
    assert causes == [
        f"The hours that reach the work moved it 12 days later (11 to 13 {luck_}) {made} {_WORSE}",
        f"The minutes that items take moved it 3 days earlier (2 to 4 {luck_}) {made} {_BETTER}",
        "Drying, rejected images and items that end otherwise made the odds 3 points in 100 worse.",
    ]


_MOVED = "Since the forecast as of 8 March 2026, the middle finish date moved"
_WORSE = "21 points in 100 worse."
_BETTER = "4 points in 100 better."


def test_odds_that_read_the_same_are_not_said_to_have_gone_anywhere() -> None:
    (said,) = a_why(cause("progress made", 1.0), before=0.99, after=0.988).sentences()
    assert said == f"{_MOVED} 1 day later, and the odds of the promise are 99 in 100 as before."


def test_an_explanation_comes_back_from_the_record() -> None:
    why = a_why(cause("progress made", 1.5, 0.25))
    assert Why.from_json(why.to_json()) == why
    never = replace(why, finish_after=None)
    assert Why.from_json(never.to_json()) == never
