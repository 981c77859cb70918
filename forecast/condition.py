"""The condition of the collection: what a survey saw, and what it lets one believe of the rest.

For each material the survey's counts are the evidence of a Dirichlet-multinomial: half an item a
category is the prior (Jeffreys), looked-at items are known, and only the rest is drawn. So the
uncertainty shrinks with the sample, and vanishes when every item was looked at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist

from forecast.errors import InputError, Problem
from forecast.items import Category, CollectionRow, Mould

__all__ = ["PRIOR_ITEMS", "ConditionMix", "SurveyRow", "condition_mix", "sample_size"]

PRIOR_ITEMS = 0.5  # of each category, before anything was looked at


@dataclass(frozen=True)
class SurveyRow:
    """Looked-at items in one condition. ``series`` and ``box`` are None where not told."""

    category: Category
    items: int
    series: str | None = None
    box: str | None = None


@dataclass(frozen=True)
class ConditionMix:
    """What is believed of one material in one series.

    Attributes:
        categories: the conditions in the fixed order of ties (mould none, inactive, active; red
            rot no, then yes). All vectors below follow it.
        items: how many items there are.
        seen: looked-at items of this very series, known one by one.
        alpha: the Dirichlet parameters of the shares among items that nobody looked at: prior and
            evidence, which is the series' own sample where there is one, otherwise all that was
            seen of the material.
    """

    series: str
    material: str
    items: int
    categories: tuple[Category, ...]
    seen: tuple[int, ...]
    alpha: tuple[float, ...]

    @cached_property
    def looked_at(self) -> int:
        """Items of this very series that were looked at."""
        return sum(self.seen)

    @property
    def complete(self) -> bool:
        """Whether every item of this material in this series was looked at."""
        return self.looked_at == self.items


def _categories(material: str, rows: Sequence[SurveyRow], bound: bool) -> tuple[Category, ...]:
    """Conditions that are possible for a material.

    Red rot is decayed leather. It is possible where items are bound, or where the survey has seen
    it; half an imaginary map with red rot would plan work that cannot come.
    """
    red_rot = bound or any(row.category.red_rot and row.items for row in rows)
    return tuple(
        Category(material, mould, rot)
        for mould in Mould
        for rot in ((False, True) if red_rot else (False,))
    )


def _counts(rows: Sequence[SurveyRow], categories: Sequence[Category]) -> tuple[int, ...]:
    """Looked-at items by category."""
    return tuple(sum(row.items for row in rows if row.category == c) for c in categories)


def _check_room(what: str, seen: int, items: int) -> None:
    """Nobody can have looked at more items than there are."""
    if seen > items:
        raise InputError(
            [
                Problem(
                    "survey.csv",
                    what,
                    f"{seen} looked-at items",
                    f"at most the {items} that collection.csv lists",
                    "Correct one of the two, or the series beside the looked-at items.",
                )
            ]
        )


def condition_mix(
    collection: Sequence[CollectionRow], survey: Sequence[SurveyRow]
) -> tuple[tuple[ConditionMix, ...], dict[str, tuple[int, ...]]]:
    """The belief about each row of the collection, and the seen items whose series is not told.

    Returns:
        One mix a row of ``collection``, in its order; and for each material the looked-at items by
        category (in the order of the mix's ``categories``) that the survey did not place in a
        series. Where a material stands in one series only, they belong to it.

    Raises:
        InputError: more items were looked at than there are, of a material or in one series.
    """
    mixes: dict[int, ConditionMix] = {}
    loose: dict[str, tuple[int, ...]] = {}
    for material in dict.fromkeys(row.material for row in collection):
        seen_rows = [row for row in survey if row.category.material == material]
        cells = {n: row for n, row in enumerate(collection) if row.material == material}
        categories = _categories(material, seen_rows, any(cell.bound for cell in cells.values()))
        everything = _counts(seen_rows, categories)
        untold = [row for row in seen_rows if row.series is None]
        only_cell = len(cells) == 1
        loose[material] = _counts([] if only_cell else untold, categories)
        for n, cell in cells.items():
            told = [row for row in seen_rows if row.series == cell.series]
            own = _counts([*told, *untold] if only_cell else told, categories)
            _check_room(f"{material} in {cell.series}", sum(own), cell.items)
            evidence = own if sum(own) else everything
            alpha = tuple(PRIOR_ITEMS + count for count in evidence)
            mixes[n] = ConditionMix(cell.series, material, cell.items, categories, own, alpha)
        _check_room(material, sum(everything), sum(cell.items for cell in cells.values()))
    return tuple(mixes[n] for n in range(len(collection))), loose


def sample_size(
    margin: float,
    population: int | None = None,
    confidence: float = 0.95,
    share: float = 0.5,
) -> int:
    """How many items to look at so that a share is known to within a margin.

    Cochran's formula (Sampling Techniques, 3rd ed., 1977) with the finite population correction:
    ``n0 = z^2 p (1 - p) / margin^2`` and ``n = n0 / (1 + (n0 - 1) / N)``, rounded up.

    Args:
        margin: half the width of the interval, as a share (0.05 is five in a hundred).
        population: items in the collection; None: so many that it does not matter.
        confidence: how sure to be, as a share.
        share: the share that is expected; 0.5 needs the largest sample.

    Raises:
        ValueError: a share, margin or confidence is not between 0 and 1, or there are no items.

    >>> sample_size(0.05, 1200)
    292
    """
    if not 0.0 < margin < 1.0 or not 0.0 < confidence < 1.0 or not 0.0 < share < 1.0:
        raise ValueError("margin, confidence and share must lie between 0 and 1")
    if population is not None and population < 1:
        raise ValueError("a sample needs a collection of at least one item")
    return math.ceil(_sample(margin, population, confidence, share) - 1e-9)


def _sample(margin: float, population: int | None, confidence: float, share: float) -> float:
    """The sample before rounding."""
    z = NormalDist().inv_cdf(0.5 + confidence / 2.0)
    without_correction = z * z * share * (1.0 - share) / (margin * margin)
    if population is None:
        return without_correction
    return without_correction / (1.0 + (without_correction - 1.0) / population)
