"""The demo project over 200 futures: what the report says of it rests on these."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from forecast.folder import read_project
from forecast.outcome import NOT_BY_HORIZON, Futures, promise_odds
from forecast.replicate import simulate
from forecast.units import seconds_from_hours

_DEMO = Path(__file__).resolve().parent.parent / "scenario_data" / "demo"


@pytest.fixture(scope="module")
def futures() -> Futures:
    project = read_project(_DEMO)
    return simulate(project, replications=200, progress=False, standstill=False)


def test_the_worst_day_of_exposure_meets_the_limit_and_never_passes_it(futures: Futures) -> None:
    """Equality gives "never above" its meaning: the limit is reached, so it is what holds."""
    limits = futures.project.exposure
    assert futures.max_day_exposure.max() == seconds_from_hours(limits.hours_per_day)
    assert futures.exposure_days.max() == limits.days_per_week
    unassigned = [
        n
        for n, person in enumerate(futures.project.persons)
        if not any(row.mould_work for row in futures.project.team if row.person == person)
    ]
    assert len(unassigned) == 2
    assert futures.max_day_exposure[:, unassigned].max() == 0


def test_the_demo_is_worth_a_forecast(futures: Futures) -> None:
    """Its promise is neither sure nor lost, so that the report has something to say."""
    assert 0.2 < promise_odds(futures) < 0.9
    assert np.all(futures.outcomes.sum(axis=1) == futures.project.total_items)
    assert (futures.finish_day != NOT_BY_HORIZON).all()
