"""The mix of what is not opened yet: survey, boxes, and how alike neighbours are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from forecast.belief import Belief
from forecast.items import Mould
from forecast.luck import plan as make_plan
from forecast.mix import USUAL_BOX_ITEMS, MixBelief, box_correlation, learn_mix
from forecast.planning import Plan
from forecast.weekly import Received
from tests.small_returns import FIRST, history, uncertain_project, week

Floats = NDArray[np.float64]


@pytest.fixture(scope="module")
def plan() -> Plan:
    return make_plan(uncertain_project())


def box(name: str, *counts: int, series: str | None = "A") -> list[Received]:
    """One opened box: items without mould, with inactive and with active mould."""
    return [
        Received(series, name, "volume", mould, False, items)
        for mould, items in zip(Mould, counts, strict=True)
        if items
    ]


def learnt(plan: Plan, *boxes: list[Received]) -> MixBelief:
    found = learn_mix(plan, history(week(0, received=tuple(row for rows in boxes for row in rows))))
    assert found is not None
    return found


def active(found: MixBelief, cell: int = 0) -> float:
    return float(found.alpha[cell, 2] / found.alpha[cell].sum())


def test_nothing_received_nothing_learnt(plan: Plan) -> None:
    assert learn_mix(plan, history(week(0))) is None
    silent = Received("A", "1", "volume", None, None, 12)
    assert learn_mix(plan, history(week(0, received=(silent,)))) is None


def test_what_was_opened_moves_the_mix_towards_it(plan: Plan) -> None:
    before = float(plan.alpha[0, 2] / plan.alpha[0].sum())
    more = [box(f"b{n}", 2, 4, 14) for n in range(20)]
    found = learnt(plan, *more)
    assert before < active(found)
    assert 0.6 < active(found) < 0.7
    # The other series is told something, and less.
    assert before < active(found, 1) < active(found)


def test_boxes_that_differ_tell_less_than_boxes_that_are_alike(plan: Plan) -> None:
    alike = learnt(plan, *[box(f"b{n}", 10, 10, 0) for n in range(20)])
    runs = learnt(plan, *[box(f"b{n}", *((20, 0, 0) if n % 2 else (0, 20, 0))) for n in range(20)])
    assert runs.correlation > 0.4
    assert alike.correlation < 0.08 < runs.correlation
    assert runs.alpha.sum() < 0.5 * alike.alpha.sum()
    assert runs.concentration < alike.concentration


def test_correlation_of_simulated_boxes_is_found_again() -> None:
    rng = np.random.default_rng(4)
    for true in (0.0, 0.2, 0.5):
        shares = np.array([0.5, 0.3, 0.2])
        size = 1.0 / true - 1.0 if true else 1e9
        counts = np.array(
            [rng.multinomial(20, rng.dirichlet(size * shares)) for _ in range(400)], dtype=float
        )
        found, freedom = box_correlation([(counts, counts.sum(axis=0))])
        assert freedom == 399 * 2
        assert found == pytest.approx(true, abs=0.04)


def test_without_boxes_correlation_is_the_usual(plan: Plan) -> None:
    assert box_correlation([]) == (0.10, 0.0)
    nowhere = [Received(None, None, "volume", Mould.NONE, False, 30)]
    found = learnt(plan, nowhere)
    # The survey's two boxes are all there is to go by.
    assert found.box_items == pytest.approx(20.0)
    assert 0.05 < found.correlation < 0.15
    assert found.opened.tolist() == [15.0, 15.0]


def test_items_in_a_box_are_those_that_were_told(plan: Plan) -> None:
    found = learnt(plan, *[box(f"b{n}", 3, 2, 1) for n in range(10)])
    # Ten boxes of six and the survey's two of twenty.
    assert found.box_items == pytest.approx((10 * 6 + 2 * 20) / 12)
    assert USUAL_BOX_ITEMS == 20.0


def test_a_box_that_is_told_in_two_weeks_is_one_box(plan: Plan) -> None:
    first = week(0, received=tuple(box("b", 3, 0, 0)))
    second = week(1, received=tuple(box("b", 0, 3, 0)))
    found = learn_mix(plan, history(first, second))
    assert found is not None
    assert found.box_items == pytest.approx((6 + 2 * 20) / 3)


@pytest.mark.parametrize("weeks", [5, 40])
def test_intervals_of_the_mix_hold_the_truth_as_often_as_they_say(plan: Plan, weeks: int) -> None:
    """Truths from the prior, boxes that are alike by 0.10: 80 % intervals, 200 times."""
    rng = np.random.default_rng(8)
    alpha = plan.alpha[0]
    prior = 0.5 + (alpha - 0.5) / 1.5
    hits = 0
    for _ in range(200):
        truth = rng.dirichlet(prior)
        boxes = []
        for n in range(weeks):
            counts = rng.multinomial(10, rng.dirichlet(9.0 * truth))
            boxes.append(box(f"b{n}", *counts.tolist()))
        found = learnt(plan, *boxes)
        drawn = rng.dirichlet(found.alpha[0], 400)[:, 2]
        low, high = np.quantile(drawn, (0.1, 0.9))
        hits += low <= truth[2] <= high
    # Binomial(200, .8): 142 to 176 with 99.8 %.
    assert 142 <= hits <= 176


def _four_series() -> Plan:
    project = uncertain_project()
    first = project.collection[0]
    rows = tuple(replace(first, series=series, items=150) for series in "ABCD")
    survey = tuple(replace(row, series=None, box=None) for row in project.survey)
    return make_plan(
        replace(project, collection=rows, survey=survey, deliveries=(), places=project.places)
    )


def test_what_a_survey_of_all_leaves_open_is_the_same_for_all_series() -> None:
    """Truths common to four series, two of them half opened: 80 % intervals of the sum."""
    plan = _four_series()
    rng = np.random.default_rng(9)
    alpha = plan.alpha[0]
    prior = 0.5 + (alpha - 0.5) / 1.5
    hits = 0

    def evenly(
        names: Sequence[tuple[str, ...]], places: NDArray[np.uint64] | None = None
    ) -> Floats:
        assert places is not None
        return rng.random((len(names), len(places)))

    for _ in range(200):
        truth = rng.dirichlet(prior)
        boxes = [
            box(f"{series}{n}", *rng.multinomial(15, truth).tolist(), series=series)
            for series in "AB"
            for n in range(5)
        ]
        belief = Belief(FIRST, mix=learnt(plan, *boxes))
        drawn = []
        for _ in range(100):
            sums = belief.conditions(plan, evenly)["mix"]
            drawn.append((sums[2:, 2] - sums[2:, 1]).mean())
        low, high = np.quantile(drawn, (0.1, 0.9))
        hits += low <= truth[2] <= high
    # Binomial(200, .8): 142 to 176 with 99.8 %; wider by what series might have differed.
    assert 142 <= hits <= 190


def test_unopened_series_follow_the_opened_ones_as_far_as_those_are_alike() -> None:
    plan = _four_series()
    before = float(plan.alpha[0, 2] / plan.alpha[0].sum())
    alike = learnt(
        plan, *[box(f"{s}{n}", 2, 4, 14, series=s) for s in "ABC" for n in range(7)]
    )
    assert active(alike, 3) > 0.8 * 0.7 + 0.2 * before
    differ = learnt(
        plan,
        *[box(f"{s}{n}", *counts, series=s) for s, counts in
          (("A", (2, 4, 14)), ("B", (18, 1, 1)), ("C", (2, 17, 1))) for n in range(7)],
    )
    assert differ.alpha[3].sum() < 0.2 * alike.alpha[3].sum()
    assert 2.0 * differ.common[3] < alike.common[3]
