"""Probabilities, dates and numbers are worded one way, and never as certain."""

from __future__ import annotations

import re
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from forecast import words

END, HORIZON = date(2027, 6, 30), date(2029, 6, 30)


@pytest.mark.parametrize(
    ("probability", "said"),
    [
        (0.0, "fewer than 1 in 100"),
        (0.0049, "fewer than 1 in 100"),
        (0.01, "1 in 100"),
        (0.05, "5 in 100"),
        (0.10, "1 in 10"),
        (0.25, "3 in 10"),
        (0.50, "5 in 10"),
        (0.83, "8 in 10"),
        (0.90, "9 in 10"),
        (0.934, "93 in 100"),
        (0.95, "95 in 100"),
        (0.99, "99 in 100"),
        (0.995, "over 99 in 100"),
        (1.0, "over 99 in 100"),
    ],
)
def test_a_probability_reads_as_people_say_it(probability: float, said: str) -> None:
    assert words.odds(probability) == said


@pytest.mark.parametrize(
    ("probability", "futures", "said"),
    [(1.0, 20, "over 19 in 20"), (0.0, 20, "fewer than 1 in 20"), (1.0, 1, "over 1 in 2")],
)
def test_few_futures_cannot_show_near_certainty(
    probability: float, futures: int, said: str
) -> None:
    assert words.odds(probability, futures) == said


def test_values_side_by_side_are_all_in_hundredths() -> None:
    assert words.odds(0.83, exact=True) == "83 in 100"
    assert words.odds(0.80, exact=True) == "80 in 100"


@given(st.floats(0.0, 1.0), st.integers(1, 5000), st.booleans())
def test_nothing_is_ever_certain_or_impossible(p: float, futures: int, exact: bool) -> None:
    said = words.odds(p, futures, exact=exact)
    assert "%" not in said
    part, whole = (int(n) for n in re.findall(r"\d+", said))
    assert 0 < part < whole


@pytest.mark.parametrize("wrong", [-0.01, 1.01, float("nan")])
def test_what_is_no_probability_is_refused(wrong: float) -> None:
    with pytest.raises(ValueError, match="from 0 to 1"):
        words.odds(wrong)


def test_a_date_has_no_leading_zero_and_no_locale() -> None:
    assert words.long_date(date(2027, 3, 5)) == "5 March 2027"
    assert words.month_year(date(2027, 3, 5)) == "March 2027"


def test_what_never_happens_has_a_phrase_and_no_date_of_its_own() -> None:
    assert words.never(HORIZON) == "not by the horizon (30 June 2029)"
    assert words.reached_date(None, END, HORIZON) == words.never(HORIZON)
    assert words.range_of_dates(None, None, HORIZON) == words.never(HORIZON)
    assert words.never(HORIZON) in words.range_of_dates(END, None, HORIZON)


def test_beyond_the_end_of_the_grant_the_team_must_stay_on() -> None:
    assert words.reached_date(END, END, HORIZON) == "30 June 2027"
    later = words.reached_date(date(2027, 7, 1), END, HORIZON)
    assert later == "1 July 2027, if the team stays on"


def test_numbers_have_thousands_separators_and_round_halves_upwards() -> None:
    assert words.number(1234567) == "1,234,567"
    assert words.number(2.5) == "3"
    assert words.number(0.25, 1) == "0.3"
    assert words.plural(1, "item") == "1 item"
    assert words.plural(0, "person", "people") == "0 people"
    assert words.hours(3 * 3600 + 29) == "3 h 00 min"
    assert words.range_of_numbers(1.01, 1.04, 1) == "1.0"
    assert words.joined([]) == ""
    assert words.joined(["a", "b", "c"]) == "a, b and c"
