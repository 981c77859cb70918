"""Three numbers about something nobody knows: rule R18."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from forecast.estimates import Estimate, Quantiles, lognormal_sigma


def point(estimate: Estimate, probability: float) -> float:
    """The fitted distribution's quantile by scipy, not cut."""
    minimum, width, alpha, beta = estimate.beta
    return float(stats.beta.ppf(probability, alpha, beta, loc=minimum, scale=width))


@st.composite
def triples(draw: st.DrawFn) -> Estimate:
    """Low, likely and high of any size, the ends of the range included."""
    size = 10.0 ** draw(st.floats(-6.0, 6.0))
    low = size * draw(st.floats(0.0, 10.0))
    width = size * draw(st.floats(0.01, 10.0))
    where = draw(st.one_of(st.just(0.0), st.just(1.0), st.floats(0.0, 1.0)))
    return Estimate(low, min(low + where * width, low + width), low + width)


class TestTheFittedDistribution:
    def test_of_2_5_20_has_them_as_5_percent_point_mode_and_95_percent_point(self) -> None:
        # Rule R18 is the definition; scipy.stats.beta is the check.
        estimate = Estimate(2.0, 5.0, 20.0)
        assert point(estimate, 0.05) == pytest.approx(2.0, rel=1e-9)
        assert point(estimate, 0.95) == pytest.approx(20.0, rel=1e-9)
        minimum, width, alpha, beta = estimate.beta
        grid = np.linspace(2.0, 20.0, 180_001)
        density = stats.beta.pdf(grid, alpha, beta, loc=minimum, scale=width)
        assert grid[np.argmax(density)] == pytest.approx(5.0, abs=1e-4)

    @given(triples())
    def test_has_low_and_high_as_its_5_and_95_percent_points(self, estimate: Estimate) -> None:
        width = estimate.high - estimate.low
        assert point(estimate, 0.05) == pytest.approx(estimate.low, abs=1e-8 * width, rel=1e-12)
        assert point(estimate, 0.95) == pytest.approx(estimate.high, abs=1e-8 * width, rel=1e-12)

    @given(triples())
    def test_has_likely_as_its_mode_and_the_shape_of_pert(self, estimate: Estimate) -> None:
        minimum, width, alpha, beta = estimate.beta
        # Mode of a beta: (alpha - 1)/(alpha + beta - 2). PERT with lambda 4: alpha + beta = 6
        # (Malcolm et al. 1959; Vose).
        assert alpha + beta == pytest.approx(6.0)
        mode = minimum + width * (alpha - 1.0) / (alpha + beta - 2.0)
        spread = estimate.high - estimate.low
        assert mode == pytest.approx(estimate.likely, abs=1e-8 * spread, rel=1e-12)

    @given(triples())
    def test_puts_pert_between_its_own_minimum_and_maximum(self, estimate: Estimate) -> None:
        # PERT's mean is (minimum + 4 mode + maximum)/6 (Malcolm et al. 1959).
        minimum, width, alpha, beta = estimate.beta
        mean = (minimum + 4.0 * estimate.likely + minimum + width) / 6.0
        found = stats.beta.mean(alpha, beta, loc=minimum, scale=width)
        assert found == pytest.approx(mean, abs=1e-7 * width, rel=1e-12)

    @pytest.mark.parametrize("likely", [1.0, 3.0])
    def test_exists_where_likely_is_low_or_high(self, likely: float) -> None:
        estimate = Estimate(1.0, likely, 3.0)
        assert estimate.quantile(0.05) == pytest.approx(1.0)
        assert estimate.quantile(0.95) == pytest.approx(3.0)
        minimum, width, _, _ = estimate.beta
        assert minimum < likely < minimum + width

    def test_of_a_likely_number_in_the_middle_is_symmetric(self) -> None:
        estimate = Estimate(10.0, 15.0, 20.0)
        assert estimate.quantile(0.5) == pytest.approx(15.0)
        for probability in (0.01, 0.2, 0.4):
            above = estimate.quantile(1.0 - probability) - 15.0
            assert 15.0 - estimate.quantile(probability) == pytest.approx(above)

    @given(triples(), st.floats(0.0, 1.0), st.floats(0.1, 10.0))
    def test_does_not_depend_on_the_unit(
        self, estimate: Estimate, probability: float, factor: float
    ) -> None:
        other = Estimate(factor * estimate.low, factor * estimate.likely, factor * estimate.high)
        assert other.quantile(probability) == pytest.approx(
            factor * estimate.quantile(probability), abs=1e-6 * factor * estimate.high
        )


class TestQuantiles:
    @given(triples(), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
    def test_rise_with_the_probability(self, estimate: Estimate, one: float, two: float) -> None:
        below, above = sorted((one, two))
        assert estimate.quantile(below) <= estimate.quantile(above)

    @given(triples(), st.floats(1e-9, 1.0))
    def test_are_those_of_the_beta_cut_at_zero(
        self, estimate: Estimate, probability: float
    ) -> None:
        uncut = point(estimate, probability)
        scale = 1e-9 * estimate.high
        assert estimate.quantile(probability) == pytest.approx(max(0.0, uncut), abs=scale)

    @pytest.mark.parametrize("probability", [1e-320, 1e-308, 1e-200, 1e-170, 1e-101, 1e-99])
    def test_of_probabilities_next_to_none_are_the_minimum(self, probability: float) -> None:
        # SciPy's inverse of the beta is not a number, or far off, for some of them.
        estimate = Estimate(1.0, 1.5, 2.0)
        assert estimate.quantile(probability) == pytest.approx(estimate.quantile(0.0))
        assert estimate.quantile(0.0) == pytest.approx(estimate.beta[0])
        assert estimate.beta[0] > 0.0

    def test_are_cut_at_zero_and_not_moved(self) -> None:
        estimate = Estimate(0.0, 1.0, 8.0)
        assert estimate.beta[0] < 0.0
        assert estimate.quantile(0.0) == estimate.quantile(0.04) == 0.0
        assert estimate.quantile(0.06) > 0.0

    def test_of_a_share_are_cut_at_one(self) -> None:
        share = Estimate(0.7, 0.95, 1.0, at_most_one=True)
        free = Estimate(0.7, 0.95, 1.0)
        assert free.quantile(1.0) > 1.0
        assert share.quantile(1.0) == share.quantile(0.96) == 1.0
        assert share.quantile(0.5) == free.quantile(0.5) < 1.0

    def test_of_anything_else_may_pass_one(self) -> None:
        assert Estimate(3.0, 6.0, 15.0).quantile(0.5) > 1.0


class TestManyAtOnce:
    @given(st.lists(st.tuples(triples(), st.booleans(), st.floats(0.0, 1.0)), max_size=6))
    def test_give_what_each_gives_alone(
        self, cases: list[tuple[Estimate, bool, float]]
    ) -> None:
        estimates = []
        for triple, known, _ in cases:
            share = Estimate(0.7, 0.95, 1.0, at_most_one=True)
            estimates += [Estimate.known(triple.high), share] if known else [triple]
        laid_out = Quantiles.of(estimates)
        unknown = [each for each in estimates if not each.is_known]
        luck = [probability for *_, probability in cases]
        found = laid_out.at(np.array(luck))
        chances = iter(luck)
        alone = [e.low if e.is_known else e.quantile(next(chances)) for e in estimates]
        assert len(unknown) == len(luck)
        assert found.tolist() == alone

    def test_leave_known_values_as_they_are(self) -> None:
        known = Quantiles.of([Estimate.known(3.0), Estimate.known(0.0)])
        assert known.at(np.zeros(0)).tolist() == [3.0, 0.0]


class TestWhatIsKnown:
    @given(st.floats(0.0, 1e9), st.floats(0.0, 1.0))
    def test_is_the_same_whatever_the_luck(self, value: float, probability: float) -> None:
        known = Estimate.known(value)
        assert known == Estimate(value, value, value)
        assert known.is_known
        assert known.quantile(probability) == value
        assert known.beta[:2] == (value, 0.0)

    def test_differs_from_what_is_uncertain(self) -> None:
        assert not Estimate(1.0, 1.0, 2.0).is_known

    def test_only_three_zeros_say_that_it_does_not_apply(self) -> None:
        assert Estimate.known(0.0).is_zero
        assert not Estimate(0.0, 0.0, 1.0).is_zero

    @pytest.mark.parametrize(
        "numbers",
        [
            (2.0, 1.0, 3.0),
            (1.0, 4.0, 3.0),
            (-1.0, 0.0, 1.0),
            (0.0, 1.0, math.inf),
            (math.nan, 1.0, 2.0),
            (0.0, math.nan, 2.0),
            (0.0, 1.0, math.nan),
        ],
    )
    def test_three_numbers_that_contradict_each_other_are_refused(
        self, numbers: tuple[float, float, float]
    ) -> None:
        with pytest.raises(ValueError, match="needs 0 <= low <= likely <= high, not"):
            Estimate(*numbers)


class TestLognormalSigma:
    @given(st.floats(0.0, 5.0))
    def test_gives_the_coefficient_of_variation_back(self, variation: float) -> None:
        sigma = lognormal_sigma(variation)
        if sigma == 0.0:
            assert variation < 1e-7
        else:
            # Mean and deviation by scipy.stats.lognorm.
            mean, variance = stats.lognorm(sigma).stats("mv")
            found = math.sqrt(variance) / mean
            assert found == pytest.approx(variation, rel=1e-5, abs=1e-7)
