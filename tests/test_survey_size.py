"""How much to survey: what looking at more items would tell about the finish."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from forecast import recalibrate
from forecast.condition import SurveyRow
from forecast.differences import nothing_shown
from forecast.estimates import Estimate
from forecast.exposure import ExposureLimits
from forecast.history import History
from forecast.items import Category, CollectionRow, Mould
from forecast.outcome import NOT_BY_HORIZON, Futures, promise_odds
from forecast.project import Project, Sessions, TaskTime
from forecast.replicate import simulate
from forecast.stages import Stage
from forecast.survey_size import SurveySize, simulated_again, survey_size
from forecast.weekly import Count, Received
from tests.made_up import futures as made_up
from tests.small_projects import day, per_item, person, small_project
from tests.small_returns import history, uncertain_project, week

SMALL = (6, 5, 3)  # looked at without mould, with inactive, with active mould


def _survey(counts: tuple[int, ...] = SMALL, series: str | None = "A") -> tuple[SurveyRow, ...]:
    return tuple(
        SurveyRow(Category("volume", mould, False), items, series)
        for mould, items in zip(Mould, counts, strict=True)
    )


def _of_condition(
    *, matters: bool = True, series: tuple[str, ...] = ("A",), items: int = 300
) -> Project:
    """One person cleans: mouldy items take six times as long; nothing else is uncertain."""
    base = small_project(
        [],
        [],
        [person("P", "cleaning")],
        stages_off=frozenset(set(Stage) - {Stage.CLEANING}),
        sessions=Sessions(0.0, 0.0, 0.0, 1.0),
        exposure=ExposureLimits(24.0, 7),
    )
    mouldy = 180.0 if matters else 30.0
    return replace(
        base,
        grant=replace(
            base.grant, end=day(150), horizon=day(499), items_promised=items * len(series) - 20
        ),
        collection=tuple(
            CollectionRow(each, "volume", items, 0.0, False, 0.0, 0.0) for each in series
        ),
        survey=_survey(series=series[0] if len(series) == 1 else None),
        task_times=(
            _varied(per_item("cleaning", 30.0)),
            _varied(per_item("cleaning", mouldy, mould=Mould.INACTIVE)),
            _varied(per_item("cleaning", mouldy, mould=Mould.ACTIVE)),
        ),
        time=replace(base.time, delivered_share=Estimate(0.70, 0.75, 0.80, at_most_one=True)),
    )


def _varied(row: TaskTime) -> TaskTime:
    return replace(row, scatter=0.4)


def _simulated(project: Project, replications: int = 400) -> Futures:
    return simulate(project, replications=replications, progress=False, standstill=False)


@pytest.fixture(scope="module")
def mattering() -> Futures:
    return _simulated(_of_condition())


@pytest.fixture(scope="module")
def found(mattering: Futures) -> SurveySize:
    return survey_size(mattering, sizes=(20, 60, 150), items_an_hour=15)


class TestWhereTheConditionMatters:
    def test_the_width_shrinks_with_the_size_of_the_survey(self, found: SurveySize) -> None:
        assert [each.further for each in found.sizes] == [20, 60, 150, 286]
        narrower = [0.0, *(each.narrower.estimate for each in found.sizes)]
        assert all(np.diff(narrower) > 0.0)
        assert all(each.narrower.low > 0.0 for each in found.sizes)
        # The condition is most of what is uncertain here.
        assert found.sizes[-1].width < 0.6 * found.width
        for each in found.sizes:
            assert each.width == pytest.approx(found.width - each.narrower.estimate)

    def test_the_odds_are_spread_the_more_the_more_is_known(self, found: SurveySize) -> None:
        spread = [high - low for low, high in (each.odds for each in found.sizes)]
        assert spread == sorted(spread)
        assert spread[-1] > spread[0] > 0.1
        for each in found.sizes:
            assert each.odds[0] <= found.odds <= each.odds[1]

    @pytest.mark.parametrize("place", [1, 3])
    def test_regression_agrees_with_a_forecast_in_each_survey(
        self, mattering: Futures, found: SurveySize, place: int
    ) -> None:
        size = found.sizes[place]
        nested = simulated_again(mattering, size.further, surveys=30, each=60)
        error = math.hypot(nested.half_width, size.narrower.half_width)
        assert abs(nested.estimate - size.narrower.estimate) < error
        assert nested.half_width < 0.3 * found.width  # else agreement says nothing
        assert nested.low > 0.0

    def test_of_evidence_that_series_share_too(self) -> None:
        several = _simulated(_of_condition(series=("A", "B", "C"), items=100))
        found = survey_size(several, sizes=(60,))
        assert found.open_items == 300 - 14
        size = found.sizes[0]
        nested = simulated_again(several, 60, surveys=30, each=60)
        error = math.hypot(nested.half_width, size.narrower.half_width)
        assert abs(nested.estimate - size.narrower.estimate) < error
        assert nested.low > 0.0

    def test_a_day_of_looking_is_what_a_person_may_do_in_one(
        self, mattering: Futures, found: SurveySize
    ) -> None:
        assert found.hours_a_day == 24.0  # the exposure limit of this project
        three = survey_size(mattering, sizes=(60,), items_an_hour=15, hours_a_day=3)
        assert three.day is not None
        assert three.day.further == 45
        assert 0.0 < three.day.narrower.estimate < three.sizes[0].narrower.estimate
        assert [each.further for each in three.sizes] == [60, 286]
        said = next(line for line in three.sentences() if "next day of looking" in line)
        assert "3.0 hours at 15 items an hour: 45 items" in said
        assert "narrows the range by" in said
        untold = survey_size(mattering, sizes=(60,))
        assert untold.day is None
        assert not any("day of looking" in line for line in untold.sentences())

    def test_sentences_say_what_is_left_in_any_case(self, found: SurveySize) -> None:
        said = " ".join(found.sentences())
        assert "14 of 300 items have been looked at; 286 have not." in said
        assert "Even if all 286 were looked at" in said
        assert "after 150 more narrower by" in said
        assert "169 items of the whole (14 looked at)" in said

    def test_the_table_begins_with_what_is(self, found: SurveySize) -> None:
        first, *rest = found.table()
        assert (first["further"], first["narrower"], first["width"]) == (0, 0.0, found.width)
        assert [row["further"] for row in rest] == [20, 60, 150, 286]

    def test_progress_is_told_to_the_end(self, mattering: Futures) -> None:
        told: list[tuple[int, int]] = []
        survey_size(mattering, sizes=(60,), tell=lambda done, of: told.append((done, of)))
        assert told[-1] == (400, 400)


def test_where_the_condition_does_not_matter_the_width_does_not_shrink() -> None:
    """Beyond noise: the interval holds zero at every size, and is narrow."""
    found = survey_size(_simulated(_of_condition(matters=False)), sizes=(20, 60, 150))
    for each in found.sizes:
        assert nothing_shown(each.narrower)
        assert abs(each.narrower.estimate) < 0.02 * found.width
    assert "no shrinking shown" in " ".join(found.sentences())


def test_a_collection_that_was_looked_at_completely_has_nothing_to_gain() -> None:
    project = replace(_of_condition(), survey=_survey((150, 100, 50)))
    found = survey_size(_simulated(project, 60), items_an_hour=20)
    assert found.open_items == 0
    assert found.sizes == ()
    assert found.day is None
    assert "none is left that was not looked at: a further survey can bring nothing" in (
        found.sentences()[0]
    )


def test_widths_and_odds_now_are_those_of_the_forecast(mattering: Futures) -> None:
    found = survey_size(mattering, sizes=(60,))
    low, high = np.sort(mattering.finish_day)[[39, 359]]  # 40th and 360th of 400
    assert found.width == pytest.approx((high - low) / 7.0)
    assert found.odds == promise_odds(mattering)


def test_a_range_without_an_end_has_no_width(mattering: Futures) -> None:
    finish = mattering.finish_day.copy()
    finish[:60] = NOT_BY_HORIZON
    found = survey_size(replace(mattering, finish_day=finish), sizes=(60,), items_an_hour=15)
    assert not found.told
    assert math.isnan(found.table()[0]["width"])
    said = " ".join(found.sentences())
    assert "nobody can say by how much" in said
    assert "weeks" not in said


@pytest.mark.parametrize(
    "wrong", [{"sizes": (0,)}, {"items_an_hour": 0.0}, {"hours_a_day": -1.0}]
)
def test_what_makes_no_sense_is_refused(mattering: Futures, wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="above 0"):
        survey_size(mattering, **wrong)  # type: ignore[arg-type]


def test_a_few_futures_are_too_few() -> None:
    with pytest.raises(ValueError, match="50 futures or more"):
        survey_size(made_up(20))


def _recorded() -> tuple[Project, History]:
    base = uncertain_project()
    project = replace(
        base,
        collection=tuple(replace(row, items=200) for row in base.collection),
        grant=replace(base.grant, items_promised=300),
        quarantine_days=7,
    )
    rows = tuple(
        Received("A", box, "volume", mould, False, items)
        for box in ("10", "11", "12")
        for mould, items in zip(Mould, (6, 8, 6), strict=True)
    )
    counts = (Count(Stage.CLEANING, "volume", Mould.INACTIVE, False, 10),)
    return project, history(week(0, counts, received=rows))


def test_with_a_record_only_what_has_not_been_received_is_looked_at() -> None:
    project, on_record = _recorded()
    as_of = recalibrate.default_as_of(project, on_record)
    knowledge = recalibrate.known(project, on_record, as_of)
    forecast = recalibrate.forecast(
        project, on_record, as_of, 200, progress=False, standstill=False, knowledge=knowledge
    )
    found = survey_size(forecast, knowledge, on_record, sizes=(50,))
    assert found.recorded
    # 400 items; 60 received, and of the 40 looked-at ones some among those.
    assert 400 - 60 - 40 <= found.open_items <= 400 - 60 - 20
    assert "have not and have not been received" in found.sentences()[0]
    narrower = [each.narrower.estimate for each in found.sizes]
    assert narrower[0] < narrower[1]
    nested = simulated_again(
        forecast, found.open_items, knowledge, on_record, surveys=16, each=60
    )
    error = math.hypot(nested.half_width, found.sizes[-1].narrower.half_width)
    assert abs(nested.estimate - narrower[1]) < error


@pytest.mark.parametrize("items", [500, 1_200, 2_800, 9_000])
def test_the_textbooks_sample_stands_beside(mattering: Futures, items: int) -> None:
    # Krejcie and Morgan 1970: s = X2 N P (1 - P) / (d2 (N - 1) + X2 P (1 - P)), X2 = 3.841.
    exact = 3.841 * 0.25 * items / (0.05**2 * (items - 1) + 3.841 * 0.25)
    rows = (CollectionRow("A", "volume", items, 0.0, False, 0.0, 0.0),)
    project = replace(_of_condition(), collection=rows)
    found = survey_size(_simulated(project, 50), sizes=(60,))
    assert [(each.of, each.items, each.looked_at) for each in found.classical] == [
        ("", items, sum(SMALL)),
        ("volume", items, sum(SMALL)),
    ]
    assert {each.wanted for each in found.classical} == {math.ceil(exact)}

