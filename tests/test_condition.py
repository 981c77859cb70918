"""The condition of the collection: what a survey lets one believe of the rest."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from forecast.condition import PRIOR_ITEMS, SurveyRow, condition_mix, sample_size
from forecast.errors import InputError
from forecast.items import Category, CollectionRow, Mould

NONE, INACTIVE, ACTIVE = Mould


def cell(series: str, material: str, items: int, bound: bool = False) -> CollectionRow:
    return CollectionRow(series, material, items, 10.0, bound, 10.0, 10.0)


def seen(
    material: str, mould: Mould, items: int, series: str | None = None, red_rot: bool = False
) -> SurveyRow:
    return SurveyRow(Category(material, mould, red_rot), items, series)


class TestCategories:
    def test_of_bound_items_stand_in_the_order_of_ties(self) -> None:
        (mix,), _ = condition_mix([cell("A", "volume", 9, bound=True)], [])
        assert [(c.mould, c.red_rot) for c in mix.categories] == [
            (NONE, False),
            (NONE, True),
            (INACTIVE, False),
            (INACTIVE, True),
            (ACTIVE, False),
            (ACTIVE, True),
        ]

    def test_of_unbound_items_have_red_rot_only_if_it_was_seen(self) -> None:
        collection = [cell("A", "map", 9)]
        (without,), _ = condition_mix(collection, [seen("map", NONE, 0, red_rot=True)])
        assert [c.red_rot for c in without.categories] == [False] * 3
        (with_it,), _ = condition_mix(collection, [seen("map", NONE, 1, red_rot=True)])
        assert len(with_it.categories) == 6


class TestBelief:
    def test_is_half_an_item_a_category_and_what_was_seen(self) -> None:
        # Jeffreys' prior of the multinomial: Dirichlet(1/2, ..., 1/2) (Jeffreys 1946).
        survey = [seen("map", NONE, 6), seen("map", ACTIVE, 3), seen("map", NONE, 1)]
        (mix,), loose = condition_mix([cell("A", "map", 100)], survey)
        assert PRIOR_ITEMS == 0.5
        assert mix.alpha == (7.5, 0.5, 3.5)
        assert mix.seen == (7, 0, 3)
        assert mix.looked_at == 10
        assert not mix.complete
        assert loose == {"map": (0, 0, 0)}

    def test_without_a_survey_is_the_prior(self) -> None:
        (mix,), loose = condition_mix([cell("A", "map", 100)], [])
        assert mix.alpha == (0.5, 0.5, 0.5)
        assert mix.seen == (0, 0, 0)
        assert loose == {"map": (0, 0, 0)}

    def test_of_a_series_with_its_own_sample_is_that_sample(self) -> None:
        collection = [cell("A", "map", 50), cell("B", "map", 60), cell("C", "map", 70)]
        survey = [
            seen("map", NONE, 8, "A"),
            seen("map", ACTIVE, 2, "A"),
            seen("map", INACTIVE, 5, "B"),
        ]
        (a, b, c), loose = condition_mix(collection, survey)
        assert a.alpha == (8.5, 0.5, 2.5)
        assert b.alpha == (0.5, 5.5, 0.5)
        assert c.alpha == (8.5, 5.5, 2.5)  # nothing of its own: all that was seen
        assert (a.seen, b.seen, c.seen) == ((8, 0, 2), (0, 5, 0), (0, 0, 0))
        assert loose == {"map": (0, 0, 0)}

    def test_untold_rows_are_evidence_and_loose_where_there_are_several_series(self) -> None:
        collection = [cell("A", "map", 50), cell("B", "map", 60)]
        survey = [seen("map", NONE, 8), seen("map", ACTIVE, 2, "A")]
        (a, b), loose = condition_mix(collection, survey)
        assert loose == {"map": (8, 0, 0)}
        assert a.seen == (0, 0, 2)
        assert a.alpha == (0.5, 0.5, 2.5)
        assert b.seen == (0, 0, 0)
        assert b.alpha == (8.5, 0.5, 2.5)

    def test_untold_rows_belong_to_the_only_series(self) -> None:
        survey = [seen("map", NONE, 8), seen("map", ACTIVE, 2, "A")]
        (mix,), loose = condition_mix([cell("A", "map", 50)], survey)
        assert mix.seen == (8, 0, 2)
        assert mix.alpha == (8.5, 0.5, 2.5)
        assert loose == {"map": (0, 0, 0)}

    def test_of_one_material_is_not_touched_by_another(self) -> None:
        collection = [cell("A", "map", 50), cell("A", "volume", 20, bound=True)]
        survey = [seen("volume", NONE, 4, red_rot=True), seen("photograph", ACTIVE, 3)]
        (a, volume), loose = condition_mix(collection, survey)
        assert a.alpha == (0.5,) * 3
        assert volume.alpha == (0.5, 4.5, 0.5, 0.5, 0.5, 0.5)
        assert set(loose) == {"map", "volume"}

    def test_stands_in_the_order_of_the_collection(self) -> None:
        collection = [cell("B", "map", 1), cell("A", "volume", 2), cell("A", "map", 3)]
        mixes, _ = condition_mix(collection, [])
        assert [(m.series, m.material, m.items) for m in mixes] == [
            ("B", "map", 1),
            ("A", "volume", 2),
            ("A", "map", 3),
        ]

    @given(st.lists(st.integers(0, 40), min_size=3, max_size=3))
    def test_narrows_as_more_items_are_looked_at(self, counts: list[int]) -> None:
        collection = [cell("A", "map", 5_000)]
        rows = [seen("map", mould, n) for mould, n in zip(Mould, counts, strict=True)]
        (few,), _ = condition_mix(collection, rows)
        (many,), _ = condition_mix(collection, [*rows, *rows * 9])
        for n, (small, large) in enumerate(zip(few.alpha, many.alpha, strict=True)):
            assert large - small == 9 * counts[n]
        total = sum(counts)
        if total:
            # The marginal of a Dirichlet is a beta: scipy.stats.beta.
            first, rest = few.alpha[0], sum(few.alpha) - few.alpha[0]
            more, others = many.alpha[0], sum(many.alpha) - many.alpha[0]
            if 0 < counts[0] < total:
                assert stats.beta(more, others).std() < stats.beta(first, rest).std()


class TestCompleteSurvey:
    def test_has_looked_at_every_item(self) -> None:
        survey = [seen("map", NONE, 7), seen("map", INACTIVE, 3)]
        (mix,), _ = condition_mix([cell("A", "map", 10)], survey)
        assert mix.complete
        assert mix.seen == (7, 3, 0)

    def test_of_one_series_leaves_the_others_open(self) -> None:
        collection = [cell("A", "map", 10), cell("B", "map", 10)]
        (a, b), _ = condition_mix(collection, [seen("map", NONE, 10, "A")])
        assert a.complete
        assert not b.complete

    def test_that_does_not_tell_the_series_leaves_every_item_loose(self) -> None:
        collection = [cell("A", "map", 4), cell("B", "map", 6)]
        (a, b), loose = condition_mix(collection, [seen("map", NONE, 10)])
        assert loose == {"map": (10, 0, 0)}
        assert not a.complete
        assert not b.complete


class TestMoreLookedAtThanThereIs:
    @pytest.mark.parametrize(
        ("survey", "says"),
        [
            ([seen("map", NONE, 5, "A")], r"survey\.csv, map in A: read '5 looked-at items'"),
            ([seen("map", NONE, 11)], r"survey\.csv, map: read '11 .* at most the 10 that"),
            (
                [seen("map", NONE, 4, "A"), seen("map", ACTIVE, 7)],
                r"survey\.csv, map: read '11 .* Correct one of the two",
            ),
        ],
    )
    def test_is_refused_by_name(self, survey: list[SurveyRow], says: str) -> None:
        with pytest.raises(InputError, match=says):
            condition_mix([cell("A", "map", 4), cell("B", "map", 6)], survey)


# Krejcie and Morgan, Determining Sample Size for Research Activities (1970), table 1, which is
# printed rounded to the nearest: s = X2 N P (1 - P) / (d2 (N - 1) + X2 P (1 - P)).
KREJCIE_MORGAN = [(500, 217), (1_200, 291), (2_800, 338), (9_000, 368)]


def krejcie_morgan(population: int, margin: float, share: float, chi_square: float) -> float:
    """The formula of the paper, unrounded."""
    evidence = chi_square * share * (1.0 - share)
    return evidence * population / (margin * margin * (population - 1) + evidence)


class TestSampleSize:
    @pytest.mark.parametrize(("population", "printed"), KREJCIE_MORGAN)
    def test_is_krejcie_and_morgans_rounded_up(self, population: int, printed: int) -> None:
        exact = krejcie_morgan(population, 0.05, 0.5, 3.841)  # chi-square as in the paper
        assert round(exact) == printed
        assert sample_size(0.05, population) == math.ceil(exact)

    def test_without_a_population_is_cochrans(self) -> None:
        # Cochran, Sampling Techniques, 3rd ed. 1977: 1.96^2 x .25 / .05^2 = 384.16.
        assert math.isclose(1.96**2 * 0.25 / 0.05**2, 384.16)
        assert sample_size(0.05) == 385
        assert sample_size(0.05, 10**12) == 385

    @given(
        margin=st.floats(0.005, 0.5),
        population=st.integers(1, 10**6),
        confidence=st.floats(0.5, 0.999),
        share=st.floats(0.01, 0.99),
    )
    def test_is_the_published_formula_for_any_numbers(
        self, margin: float, population: int, confidence: float, share: float
    ) -> None:
        # The chi-square point by scipy.stats.chi2.
        chi_square = float(stats.chi2.ppf(confidence, df=1))
        exact = krejcie_morgan(population, margin, share, chi_square)
        found = sample_size(margin, population, confidence, share)
        assert exact - 1e-6 <= found < exact + 1.0 + 1e-6
        assert 1 <= found <= population

    def test_of_a_small_collection_is_nearly_all_of_it(self) -> None:
        assert sample_size(0.05, 1) == 1
        assert sample_size(0.05, 10) == 10

    @pytest.mark.parametrize(
        ("margin", "confidence", "share"),
        [
            *[(0.0, 0.95, 0.5), (1.0, 0.95, 0.5), (5.0, 0.95, 0.5), (math.nan, 0.95, 0.5)],
            *[(0.05, 0.0, 0.5), (0.05, 1.0, 0.5), (0.05, 95.0, 0.5)],
            *[(0.05, 0.95, 0.0), (0.05, 0.95, 1.0), (0.05, 0.95, -0.5)],
        ],
    )
    def test_shares_outside_0_to_1_are_refused(
        self, margin: float, confidence: float, share: float
    ) -> None:
        with pytest.raises(ValueError, match="margin, confidence and share must lie between"):
            sample_size(margin, 100, confidence, share)

    @pytest.mark.parametrize("population", [0, -5])
    def test_an_empty_collection_is_refused(self, population: int) -> None:
        with pytest.raises(ValueError, match="at least one item"):
            sample_size(0.05, population)
