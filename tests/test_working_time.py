"""Working time: published days off, rotas, absence and shifts."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from forecast.drawing import absences, shifts
from forecast.errors import InputError
from forecast.people import Closure, TeamRow
from forecast.stages import Stage
from forecast.units import half_up
from forecast.working_time import (
    Rota,
    absence_probability,
    public_holidays,
    rota,
    working_days_a_year,
)

FULL_WEEK = (7.5, 7.5, 7.5, 7.5, 7.5, 0.0, 0.0)
SEVEN_DAYS = (6.0,) * 7
NINE = 9 * 3_600
MONDAY = date(2026, 1, 5)

Z_999 = 3.290526731491926  # two-sided 99.9 % point of the standard normal


def member(
    person: str = "AB",
    start: date = MONDAY,
    end: date | None = None,
    hours: tuple[float, ...] = FULL_WEEK,
    begins: int = NINE,
) -> TeamRow:
    monday, tuesday, wednesday, thursday, friday, saturday, sunday = hours
    return TeamRow(
        person=person,
        role="conservator",
        start=start,
        end=end,
        hours=(monday, tuesday, wednesday, thursday, friday, saturday, sunday),
        begins=begins,
        mould_work=True,
        stages=(Stage.CLEANING,),
    )


def days_off(country: str, subdivision: str | None, year: int) -> list[date]:
    return sorted(public_holidays(country, subdivision, date(year, 1, 1), date(year, 12, 31)))


def dates(year: int, *days: tuple[int, int]) -> list[date]:
    return [date(year, month, day) for day, month in days]


class TestPublicHolidays:
    # Published government list of bank holidays in England and Wales (gov.uk).
    ENGLAND_2026 = dates(2026, (1, 1), (3, 4), (6, 4), (4, 5), (25, 5), (31, 8), (25, 12), (28, 12))
    ENGLAND_2027 = dates(
        2027, (1, 1), (26, 3), (29, 3), (3, 5), (31, 5), (30, 8), (27, 12), (28, 12)
    )

    @pytest.mark.parametrize("part", ["ENG", "WLS", "GB-ENG", "England"])
    def test_england_and_wales_have_the_published_days(self, part: str) -> None:
        assert days_off("GB", part, 2026) == self.ENGLAND_2026
        assert days_off("GB", part, 2027) == self.ENGLAND_2027

    def test_great_britain_alone_has_the_days_that_its_nations_share(self) -> None:
        local = dates(2026, (6, 4), (31, 8))  # Easter Monday and late August: not in Scotland
        assert days_off("GB", None, 2026) == [d for d in self.ENGLAND_2026 if d not in local]

    def test_substitutes_that_displace_each_other_are_all_found(self) -> None:
        # Published list for Scotland 2023 (gov.uk) [mem]: 1 January was a Sunday.
        assert days_off("GB", "SCT", 2023) == dates(
            2023,
            *[(2, 1), (3, 1), (7, 4), (1, 5), (8, 5), (29, 5), (7, 8)],
            *[(30, 11), (25, 12), (26, 12)],
        )

    def test_a_substitute_in_december_replaces_a_day_in_january(self) -> None:
        # US Office of Personnel Management, federal holidays [mem]: New Year's Day 2028 is a
        # Saturday and observed on Friday 31 December 2027.
        assert days_off("US", None, 2027) == dates(
            2027,
            *[(1, 1), (18, 1), (15, 2), (31, 5), (18, 6), (5, 7), (6, 9)],
            *[(11, 10), (11, 11), (25, 11), (24, 12), (31, 12)],
        )
        january = public_holidays("US", None, date(2028, 1, 1), date(2028, 1, 31))
        assert january == {date(2028, 1, 17)}

    def test_a_substitute_in_january_replaces_a_day_in_december(self) -> None:
        # Thailand: New Year's Eve 2028 is a Sunday, its substitute (the library's own mark) is
        # Tuesday 2 January 2029.
        both = public_holidays("TH", None, date(2028, 12, 12), date(2029, 1, 10))
        assert both == {date(2029, 1, 1), date(2029, 1, 2)}
        december = public_holidays("TH", None, date(2028, 12, 12), date(2028, 12, 31))
        assert december == frozenset()

    def test_two_weekend_days_with_a_substitute_in_the_next_year_are_one_day_each(self) -> None:
        # England: 25 and 26 December 2027 and 1 January 2028 fall on a weekend (gov.uk list).
        days = public_holidays("GB", "ENG", date(2027, 12, 20), date(2028, 1, 10))
        assert sorted(days) == [date(2027, 12, 27), date(2027, 12, 28), date(2028, 1, 3)]

    def test_a_weekday_with_two_holidays_stays_beside_the_day_in_lieu(self) -> None:
        # South Korea, 5 May 2025 (Monday): Children's Day and Buddha's Birthday; 6 May was the
        # substitute [mem].
        may = public_holidays("KR", None, date(2025, 5, 2), date(2025, 5, 10))
        assert may == {date(2025, 5, 5), date(2025, 5, 6)}

    def test_a_weekend_day_stays_if_only_one_of_its_holidays_has_a_substitute(self) -> None:
        # Saturday 19 June 2027 in Texas: Juneteenth is observed on Friday, Emancipation Day (state
        # law) where it falls: the library's own marks.
        june = public_holidays("US", "TX", date(2027, 6, 10), date(2027, 6, 30))
        assert june == {date(2027, 6, 18), date(2027, 6, 19)}

    def test_japan_keeps_a_sunday_and_the_day_in_lieu_which_are_both_published(self) -> None:
        # Cabinet Office of Japan, list for 2026 [mem]: Sunday 3 May and Wednesday 6 May.
        assert days_off("JP", None, 2026) == dates(
            2026,
            *[(1, 1), (12, 1), (11, 2), (23, 2), (20, 3), (29, 4), (3, 5), (4, 5), (5, 5)],
            *[(6, 5), (20, 7), (11, 8), (21, 9), (22, 9), (23, 9), (12, 10), (3, 11), (23, 11)],
        )

    def test_france_has_no_substitutes(self) -> None:
        # Code du travail, art. L3133-1: eleven days, on whatever weekday they fall.
        assert days_off("FR", None, 2027) == dates(
            2027,
            *[(1, 1), (29, 3), (1, 5), (6, 5), (8, 5), (17, 5), (14, 7), (15, 8)],
            *[(1, 11), (11, 11), (25, 12)],
        )

    def test_german_lands_have_days_of_their_own(self) -> None:
        # The holiday laws of Bavaria and Berlin: Epiphany here, Women's Day there.
        bavaria, berlin = days_off("DE", "BY", 2026), days_off("DE", "DE-BE", 2026)
        epiphany, womens_day = date(2026, 1, 6), date(2026, 3, 8)
        assert {epiphany, womens_day} & set(bavaria) == {epiphany}
        assert {epiphany, womens_day} & set(berlin) == {womens_day}
        assert set(days_off("DE", None, 2026)) <= set(bavaria) & set(berlin)

    @pytest.mark.parametrize("country", ["GB", "US", "JP", "DE", "FR", "CA", "IE", "TH"])
    def test_a_range_of_years_is_its_years_one_by_one(self, country: str) -> None:
        whole = public_holidays(country, None, date(2025, 1, 1), date(2034, 12, 31))
        apart = [day for year in range(2025, 2035) for day in days_off(country, None, year)]
        assert sorted(whole) == apart

    @pytest.mark.parametrize("language", ["ja", "de", "en_US"])
    def test_the_language_of_the_machine_does_not_matter(
        self, monkeypatch: pytest.MonkeyPatch, language: str
    ) -> None:
        monkeypatch.setenv("LANGUAGE", language)
        public_holidays.cache_clear()
        assert days_off("GB", "ENG", 2027) == self.ENGLAND_2027
        assert len(days_off("JP", None, 2026)) == 18
        public_holidays.cache_clear()

    def test_both_ends_belong_to_the_range_and_an_empty_range_has_no_days(self) -> None:
        christmas = date(2026, 12, 25)
        assert public_holidays("GB", "ENG", christmas, christmas) == {christmas}
        assert public_holidays("GB", "ENG", christmas, date(2026, 12, 24)) == frozenset()

    @pytest.mark.parametrize(
        ("country", "subdivision", "says"),
        [
            ("gb", None, r"\[project\] country: read 'gb'; expected two capital letters"),
            ("XX", None, r"\[project\] country: read 'XX'; expected a country whose"),
            ("GB", "Englnd", r"\[project\] subdivision: .* Did you mean 'England'"),
            ("GB", "ZZ", r"Known are ENG, NIR, SCT, WLS.* closures\.csv"),
        ],
    )
    def test_an_unknown_place_says_what_to_write(
        self, country: str, subdivision: str | None, says: str
    ) -> None:
        with pytest.raises(InputError, match=says):
            public_holidays(country, subdivision, MONDAY, MONDAY)


class TestWorkingDaysAYear:
    def test_england_and_wales_have_the_known_numbers(self) -> None:
        # Computed from the published list of bank holidays (gov.uk).
        found = [working_days_a_year("GB", "ENG", [year]) for year in range(2024, 2028)]
        assert found == [254.0, 253.0, 253.0, 253.0]

    def test_years_are_averaged(self) -> None:
        assert working_days_a_year("GB", "ENG", range(2024, 2028)) == 253.25

    def test_no_years_are_refused(self) -> None:
        with pytest.raises(ValueError, match="at least one year"):
            working_days_a_year("GB", "ENG", [])


class TestRota:
    def test_hours_follow_the_weekdays_from_any_first_date(self) -> None:
        found = rota([member()], [], (), date(2026, 1, 8), 7)  # a Thursday
        assert found.hours.tolist() == [[7.5, 7.5, 0.0, 0.0, 7.5, 7.5, 7.5]]
        assert found.row.tolist() == [[0] * 7]
        assert found.begins.tolist() == [[NINE] * 7]

    def test_persons_stand_in_the_order_of_their_first_rows(self) -> None:
        later = MONDAY + timedelta(days=7)
        team = [
            member("AB", end=MONDAY + timedelta(days=6)),
            member("CD", hours=SEVEN_DAYS),
            member("AB", start=later, hours=(4.0, 4.0, 0.0, 0.0, 0.0, 0.0, 0.0), begins=36_000),
        ]
        found = rota(team, [], (), MONDAY, 14)
        assert found.hours[0].tolist() == [7.5] * 5 + [0.0] * 2 + [4.0] * 2 + [0.0] * 5
        assert found.row[0].tolist() == [0] * 7 + [2] * 7
        assert found.begins[0].tolist() == [NINE] * 7 + [36_000] * 7
        assert found.hours[1].tolist() == [6.0] * 14
        assert found.row[1].tolist() == [1] * 14

    def test_gaps_starters_and_leavers_have_no_row(self) -> None:
        team = [
            member("AB", start=MONDAY - timedelta(days=30), end=MONDAY + timedelta(days=1)),
            member("AB", start=MONDAY + timedelta(days=3), end=MONDAY + timedelta(days=3)),
            member("CD", start=MONDAY + timedelta(days=4)),
            member("EF", start=MONDAY + timedelta(days=99)),
            member("GH", start=MONDAY - timedelta(days=9), end=MONDAY - timedelta(days=1)),
        ]
        found = rota(team, [], (), MONDAY, 5)
        assert found.row.tolist() == [
            [0, 0, -1, 1, -1],
            [-1, -1, -1, -1, 2],
            [-1] * 5,
            [-1] * 5,
        ]
        assert (found.hours[found.row < 0] == 0.0).all()
        assert (found.begins[found.row < 0] == 0).all()

    def test_leave_is_one_persons_and_closures_are_everybodys(self) -> None:
        closures = [
            Closure(MONDAY - timedelta(days=3), MONDAY),
            Closure(MONDAY + timedelta(days=2), MONDAY + timedelta(days=3), person="CD"),
            Closure(MONDAY + timedelta(days=4), MONDAY + timedelta(days=40)),
            Closure(MONDAY + timedelta(days=1), MONDAY + timedelta(days=1), person="nobody"),
        ]
        found = rota([member("AB"), member("CD")], closures, (), MONDAY, 5)
        assert found.hours.tolist() == [[0.0, 7.5, 7.5, 7.5, 0.0], [0.0, 7.5, 0.0, 0.0, 0.0]]
        assert (found.row >= 0).all()  # the row stays in force on days off

    def test_a_rota_of_seven_days_loses_the_published_number_of_holidays(self) -> None:
        first, days = date(2027, 1, 1), 365
        holidays = public_holidays("GB", "ENG", first, date(2027, 12, 31))
        found = rota([member(start=first, hours=SEVEN_DAYS)], [], holidays, first, days)
        # Eight bank holidays in 2027 in England and Wales (gov.uk).
        assert np.count_nonzero(found.hours) == days - 8
        assert found.hours[0, (date(2027, 12, 25) - first).days] == 6.0
        assert found.hours[0, (date(2027, 12, 27) - first).days] == 0.0

    def test_holidays_outside_the_days_and_a_rota_of_no_days_are_harmless(self) -> None:
        outside = {MONDAY - timedelta(days=1), MONDAY + timedelta(days=1)}
        assert rota([member()], [], outside, MONDAY, 1).hours.tolist() == [[7.5]]
        assert rota([member()], [], outside, MONDAY, 0).hours.shape == (1, 0)
        assert rota([], [], outside, MONDAY, 3).hours.shape == (0, 3)

    def test_overlapping_rows_of_a_person_are_refused(self) -> None:
        with pytest.raises(ValueError, match="two rows of AB are in force on the same day"):
            rota([member(), member(start=MONDAY + timedelta(days=2))], [], (), MONDAY, 5)


class TestAbsenceProbability:
    def test_single_days_have_the_share_as_their_chance_after_a_day_at_work(self) -> None:
        # With L = 1 every working day is a trial: p is the share itself.
        assert absence_probability(6.0, 1.0, 240.0) == pytest.approx(6.0 / 240.0)

    @given(
        share=st.floats(1e-6, 0.999),
        spell=st.floats(1.0, 200.0),
    )
    def test_the_renewal_cycle_gives_the_share_back(self, share: float, spell: float) -> None:
        p = absence_probability(share * 253.0, spell, 253.0)
        assert 0.0 < p <= 1.0
        assert spell / (spell + (1.0 - p) / p) == pytest.approx(share, rel=1e-9)

    def test_the_ends_are_never_and_always(self) -> None:
        assert absence_probability(0.0, 2.5, 253.0) == 0.0
        assert absence_probability(253.0, 2.5, 253.0) == 1.0
        assert absence_probability(900.0, 2.5, 253.0) == 1.0

    @pytest.mark.parametrize(
        ("numbers", "says"),
        [
            ((-1.0, 2.5, 253.0), "days_a_year of at least 0"),
            ((math.nan, 2.5, 253.0), "days_a_year of at least 0"),
            ((6.0, 2.5, 0.0), "working_days above 0"),
            ((6.0, 0.5, 253.0), "absence_spell_days must be at least 1, not 0.5"),
            ((6.0, math.inf, 253.0), "absence_spell_days must be at least 1, not inf"),
        ],
    )
    def test_numbers_outside_their_range_are_refused(
        self, numbers: tuple[float, float, float], says: str
    ) -> None:
        with pytest.raises(ValueError, match=says):
            absence_probability(*numbers)


def literal_absences(
    working: NDArray[np.bool_],
    begins: NDArray[np.float64],
    length: NDArray[np.float64],
    probability: float,
    spell_days: float,
) -> list[bool]:
    """The rule a day at a time: the least k whose distribution function reaches u."""
    absent, left = [], 0
    for day, works in enumerate(working):
        if works and left == 0 and begins[day] < probability:
            left, still = 1, 1.0 - 1.0 / spell_days
            reached = 1.0 - still
            while reached < length[day] and left < len(working):
                left += 1
                reached = 1.0 - still**left
        absent.append(bool(works and left > 0))
        left -= bool(works and left > 0)
    return absent


class TestAbsences:
    @given(
        seed=st.integers(0, 2**32 - 1),
        probability=st.floats(0.0, 1.0),
        spell=st.floats(1.0, 20.0),
        worked=st.floats(0.0, 1.0),
    )
    def test_they_follow_the_rule_day_by_day(
        self, seed: int, probability: float, spell: float, worked: float
    ) -> None:
        generator = np.random.default_rng(seed)
        working = generator.random(60) < worked
        begins, length = generator.random(60), generator.random(60)
        found = absences(working, begins, length, probability, spell)
        assert found.tolist() == literal_absences(working, begins, length, probability, spell)

    @pytest.mark.parametrize(("days_a_year", "spell"), [(6.0, 2.5), (15.0, 1.0), (30.0, 8.0)])
    def test_the_long_run_share_is_the_one_asked_for(
        self, days_a_year: float, spell: float
    ) -> None:
        share = days_a_year / 253.0
        chance = absence_probability(days_a_year, spell, 253.0)
        generator = np.random.default_rng(20260105)
        lives, days = 400, 30_000
        always = np.ones(days, dtype=bool)
        found = np.array(
            [
                absences(
                    always, generator.random(days), generator.random(days), chance, spell
                ).mean()
                for _ in range(lives)
            ]
        )
        half_width = Z_999 * found.std(ddof=1) / math.sqrt(lives)
        assert half_width < 0.02 * share  # so that the next line can fail
        assert abs(found.mean() - share) < half_width

    @pytest.mark.parametrize("spell", [1.0, 2.5, 10.0])
    def test_spells_are_geometric_with_the_mean_asked_for(self, spell: float) -> None:
        # A person who falls ill on day 0 only: the days absent are one spell. P(1 day) = 1/L.
        generator = np.random.default_rng(7)
        spells, days = 40_000, 400
        begins = np.ones(days)
        begins[0] = 0.0
        always = np.ones(days, dtype=bool)
        length = np.zeros(days)
        lengths = np.empty(spells)
        for n in range(spells):
            length[0] = generator.random()
            lengths[n] = absences(always, begins, length, 0.5, spell).sum()
        half_width = Z_999 * lengths.std(ddof=1) / math.sqrt(spells)
        assert half_width < 0.02 * spell
        assert abs(lengths.mean() - spell) <= half_width
        once = 1.0 / spell
        error = Z_999 * math.sqrt(once * (1.0 - once) / spells)
        assert error < 0.06 * once
        assert abs((lengths == 1.0).mean() - once) <= error

    def test_nobody_is_absent_on_a_day_off_and_spells_count_own_working_days(self) -> None:
        working = np.array([True, True, False, False, True, True, True])
        begins = np.array([1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 1.0])
        length = np.array([0.0, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0])  # L = 3: the median spell is two
        found = absences(working, begins, length, 0.5, 3.0)
        assert found.tolist() == [False, True, False, False, True, False, False]

    def test_a_closure_changes_no_other_dates_luck(self) -> None:
        generator = np.random.default_rng(11)
        begins, length = generator.random(600), generator.random(600)
        open_days = np.ones(600, dtype=bool)
        closed = open_days.copy()
        closed[300] = False
        before = absences(open_days, begins, length, 0.1, 2.5)
        after = absences(closed, begins, length, 0.1, 2.5)
        assert (before[:300] == after[:300]).all()
        # A spell across the closure lasts a day longer; then the two lives meet again.
        assert (before[330:] == after[330:]).all()
        assert before[330:].any()

    def test_a_greater_chance_keeps_every_day_on_which_absence_could_begin(self) -> None:
        begins = np.array([0.05, 0.5, 0.5, 0.15, 0.5])
        length = np.zeros(5)
        always = np.ones(5, dtype=bool)
        assert absences(always, begins, length, 0.1, 2.5).tolist() == [True] + [False] * 4
        assert absences(always, begins, length, 0.2, 2.5).tolist() == [
            *[True, False, False, True, False]
        ]

    def test_the_ends_are_never_and_always(self) -> None:
        uniform = np.zeros(10)
        working = np.arange(10) % 7 < 5
        assert not absences(working, uniform, uniform, 0.0, 2.5).any()
        assert (absences(working, uniform, uniform, 1.0, 2.5) == working).all()
        longest = np.full(10, np.nextafter(1.0, 0.0))
        assert (absences(working, uniform, longest, 0.5, 1e6) == working).all()
        assert absences(np.zeros(0, bool), np.zeros(0), np.zeros(0), 0.5, 2.5).shape == (0,)

    def test_wrong_input_is_refused(self) -> None:
        three, four = np.zeros(3), np.zeros(4)
        with pytest.raises(ValueError, match="both uniforms of every date"):
            absences(np.ones(3, dtype=bool), three, four, 0.5, 2.5)
        with pytest.raises(ValueError, match="must be at least 1, not 0"):
            absences(np.ones(3, dtype=bool), three, three, 0.5, 0.0)


def one_day(hours: float, begins: int = NINE) -> Rota:
    return Rota(
        hours=np.array([[hours]]), begins=np.array([[begins]]), row=np.zeros((1, 1), dtype=np.int64)
    )


def one_shift(hours: float, share: float, begins: int = NINE) -> tuple[int, int]:
    absent = np.zeros((1, 1), dtype=bool)
    begin, end = shifts(one_day(hours, begins), absent, np.array([share]))
    return int(begin[0, 0]), int(end[0, 0])


class TestShifts:
    def test_they_count_seconds_from_the_first_midnight(self) -> None:
        table = rota([member(), member("CD", hours=SEVEN_DAYS, begins=0)], [], (), MONDAY, 6)
        absent = np.zeros((2, 6), dtype=bool)
        absent[0, 1] = True
        begin, end = shifts(table, absent, np.full(6, 0.75))
        length = 20_250  # 7.5 h x 0.75
        assert begin[0].tolist() == [NINE, 0, *[d * 86_400 + NINE for d in (2, 3, 4)], 0]
        assert (end - begin)[0].tolist() == [length, 0, length, length, length, 0]
        assert end[0, 1] == end[0, 5] == 0
        assert begin[1].tolist() == [d * 86_400 for d in range(6)]
        assert (end - begin)[1].tolist() == [16_200] * 6

    def test_each_day_has_its_own_share(self) -> None:
        table = rota([member()], [], (), MONDAY, 3)
        begin, end = shifts(table, np.zeros((1, 3), dtype=bool), np.array([1.0, 0.5, 0.0]))
        assert (end - begin).tolist() == [[27_000, 13_500, 0]]
        assert begin[0, 2] == end[0, 2] == 0

    def test_a_shift_ends_on_its_own_day(self) -> None:
        assert one_shift(8.0, 1.0, begins=20 * 3_600) == (72_000, 86_400)
        assert one_shift(4.0, 1.0, begins=20 * 3_600) == (72_000, 86_400)
        assert one_shift(4.0, 0.5, begins=20 * 3_600) == (72_000, 79_200)

    def test_seconds_are_rounded_half_up(self) -> None:
        # 1/3600 h is a second; the shares are exact in binary.
        assert one_shift(1.0 / 3_600.0, 0.5) == (NINE, NINE + 1)
        assert one_shift(5.0 / 3_600.0, 0.5) == (NINE, NINE + 3)  # to even would be 2
        assert one_shift(1.0 / 3_600.0, 0.25) == (0, 0)

    @given(hours=st.floats(0.0, 15.0), share=st.floats(0.0, 1.0))
    def test_rounding_is_that_of_the_units(self, hours: float, share: float) -> None:
        begin, end = one_shift(hours, share)
        assert end - begin == half_up(hours * 3_600 * share)

    @pytest.mark.parametrize(
        "change", [lambda a, s: (a[:, :1], s), lambda a, s: (a, s[:1]), lambda a, s: (a[0], s)]
    )
    def test_shapes_that_do_not_belong_together_are_refused(
        self,
        change: Callable[
            [NDArray[np.bool_], NDArray[np.float64]],
            tuple[NDArray[np.bool_], NDArray[np.float64]],
        ],
    ) -> None:
        table = rota([member()], [], (), MONDAY, 3)
        absent, share = change(np.zeros((1, 3), dtype=bool), np.ones(3))
        with pytest.raises(ValueError, match="absence of that shape and a share a day"):
            shifts(table, absent, share)
