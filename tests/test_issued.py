"""A forecast on file: its draws, to bytes and back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from forecast.folder import read_project
from forecast.issued import Draws, issued_from
from forecast.outcome import Futures, quantile
from forecast.replicate import simulate
from forecast.results import summary

TINY = Path(__file__).parent.parent / "scenario_data" / "tiny"


@pytest.fixture(scope="module")
def futures() -> Futures:
    return simulate(read_project(TINY), replications=12, progress=False, standstill=False)


def test_draws_come_back_from_their_bytes(futures: Futures) -> None:
    draws = Draws.of(futures)
    back = Draws.from_bytes(draws.to_bytes())
    assert (back.start, back.weeks) == (draws.start, draws.weeks)
    np.testing.assert_array_equal(back.finish, draws.finish)
    np.testing.assert_array_equal(back.done, draws.done)
    assert back.to_bytes() == draws.to_bytes()


def test_draws_hold_the_items_done_by_each_sunday(futures: Futures) -> None:
    draws = Draws.of(futures)
    project = futures.project
    for week in draws.weeks:
        sunday = min(project.day_number(week) + 6, project.days - 1)
        np.testing.assert_array_equal(draws.done_by(week), futures.done_by_day[:, sunday])
    assert (draws.done[:, -1] == futures.done_by_day[:, -1]).all(), "until nothing changes any more"


def test_a_week_that_was_not_forecast_is_not_invented(futures: Futures) -> None:
    draws = Draws.of(futures)
    with pytest.raises(KeyError):
        draws.done_by(date(2020, 1, 6))


def test_a_forecast_on_file_says_what_was_said(futures: Futures) -> None:
    week = futures.weeks[0]
    issued = issued_from(futures, week, datetime(2026, 3, 16, 9, tzinfo=UTC), ("abc",))
    assert issued.summary == summary(futures)
    for share in (0.1, 0.5, 0.9):
        day = int(quantile(futures.finish_day, share))
        assert issued.finish_date(share) == futures.date_of(day)
