"""The condition of what has not been opened yet, from the survey and from what was received.

Neighbours in a box are alike, so a sample of whole boxes tells less than as many items from
everywhere. How much less is estimated from the boxes themselves, and shrunk.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from forecast.history import History
from forecast.planning import Plan
from forecast.weekly import Received

__all__ = ["USUAL_BOX_ITEMS", "MixBelief", "box_correlation", "learn_mix"]

USUAL_BOX_ITEMS = 20.0  # in a box, where nobody told

_SURVEY_INFLATION = 1.5  # an independent item is worth so many of a survey
_ELSEWHERE = 12.0  # items that other series of the material are worth at most
_HALF_AN_ITEM = 0.5  # of each category, so that none is impossible
_CORRELATION = 0.10  # of two items in a box, before boxes were told ...
_CORRELATION_WEIGHT = 15.0  # ... and how many degrees of freedom that weighs

# How like its material's a series' mix is (concentration), and prior weights: about as like as the
# drawers of one cupboard; with one series opened that is all there is to go by.
_SERIES = ((12.0, 0.10), (30.0, 0.20), (80.0, 0.25), (250.0, 0.25), (1_000.0, 0.20))

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class MixBelief:
    """The posterior of the mix among items that nobody looked at.

    Attributes:
        cells: (series, material) of each cell.
        alpha: (cells, categories of one) Dirichlet parameters; 0 fills up.
        box_items: average items in a box.
        correlation: of two items in a box, in their conditions.
        opened: (cells,) received items whose condition was told.
        common: (cells,) share of the doubt about a cell that is one about all cells with the same
            evidence: what a survey of the whole material leaves open is the same for each series.
    """

    cells: tuple[tuple[str, str], ...]
    alpha: Floats
    box_items: float
    correlation: float
    opened: Floats
    common: Floats

    @property
    def concentration(self) -> float:
        """Of a box's own mix around the cell's (Dirichlet-multinomial): 1 / correlation - 1."""
        return 1.0 / max(self.correlation, 1e-3) - 1.0

    def alpha_of(self, plan: Plan) -> tuple[Floats, Floats]:
        """(cells, categories of one) parameters and (cells,) what is common, for another plan.

        Cells that are new, or other, have the plan's own.
        """
        known = {cell: n for n, cell in enumerate(self.cells)}
        alpha, common = plan.alpha.copy(), np.ones(len(plan.cells))
        for n, cell in enumerate(plan.cells):
            m = known.get((cell.series, cell.material))
            if m is not None:
                width = int((plan.alpha[n] > 0.0).sum())
                if width == int((self.alpha[m] > 0.0).sum()):
                    alpha[n, :width], common[n] = self.alpha[m, :width], self.common[m]
        return alpha, common


def box_correlation(boxes: Iterable[tuple[Floats, Floats]]) -> tuple[float, float]:
    """Correlation of two items in a box, from counts by category; shrunk.

    Pearson's chi-square of boxes against their pool has expectation df (1 + (m - 1) rho) with m
    items a box (Brier 1980, for clustered multinomials).

    Args:
        boxes: of each pool of like boxes: (boxes, categories) counts, and (categories,) totals.

    Returns:
        The correlation, and the degrees of freedom that it rests on.
    """
    excess = weight = freedom = 0.0
    for counts, pooled in boxes:
        chi_square, df, usual = _chi_square(counts, pooled)
        if df <= 0 or usual <= 0.0:
            continue
        excess += (chi_square - df) / usual
        weight += df
        freedom += df
    total = weight + _CORRELATION_WEIGHT
    estimate = (excess + _CORRELATION_WEIGHT * _CORRELATION) / total
    return float(np.clip(estimate, 0.0, 0.9)), freedom


def _chi_square(counts: Floats, pooled: Floats) -> tuple[float, int, float]:
    """Pearson's chi-square of boxes against their pool, degrees of freedom, m - 1."""
    sizes = counts.sum(axis=1)
    share = pooled[pooled > 0.0] / pooled.sum()
    df = (len(counts) - 1) * (len(share) - 1)
    expected = sizes[:, None] * share
    chi_square = float(((counts[:, pooled > 0.0] - expected) ** 2 / expected).sum())
    return chi_square, df, float((sizes**2).sum() / sizes.sum()) - 1.0


def learn_mix(plan: Plan, history: History) -> MixBelief | None:
    """The posterior of the mix, or None where no condition was told of anything received."""
    opened = _Opened(plan)
    for told in history.returns:
        for row in told.received:
            opened.add(row)
    if not opened.cells.any():
        return None
    correlation, _ = box_correlation(opened.pools())
    box_items = opened.box_items()
    inflation = 1.0 + max(0.0, box_items - 1.0) * correlation
    alpha, common = _alpha(plan, opened.cells / max(1.0, inflation))
    return MixBelief(
        cells=tuple((cell.series, cell.material) for cell in plan.cells),
        alpha=alpha,
        box_items=box_items,
        correlation=correlation,
        opened=opened.cells.sum(axis=1),
        common=common,
    )


class _Opened:
    """Received and surveyed items by cell, category and box."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.cells = np.zeros_like(plan.alpha)
        self.categories = [
            np.flatnonzero(plan.alpha[n] > 0.0) + cell.first_category
            for n, cell in enumerate(plan.cells)
        ]
        self.boxes: dict[tuple[int, str], Floats] = {}
        for row in plan.project.survey:
            if row.box is not None and row.series is not None and row.items:
                category = row.category
                self._count(
                    Received(
                        row.series,
                        row.box,
                        category.material,
                        category.mould,
                        category.red_rot,
                        row.items,
                    ),
                    survey=True,
                )

    def add(self, row: Received) -> None:
        """One row of the sheet ``received``; conditions that are not told tell nothing."""
        if row.mould is not None and row.items:
            self._count(row, survey=False)

    def _count(self, row: Received, *, survey: bool) -> None:
        cells = [
            n
            for n, cell in enumerate(self.plan.cells)
            if row.series in (None, cell.series) and row.material in (None, cell.material)
        ]
        room = float(sum(self.plan.cells[n].items for n in cells))
        for n in cells:
            share = self._fitting(n, row) * (row.items * self.plan.cells[n].items / room)
            if not survey:
                self.cells[n, : len(share)] += share
            if row.box is not None and len(cells) == 1 and row.red_rot is not None:
                key = n, row.box
                self.boxes[key] = self.boxes.get(key, np.zeros(len(share))) + share

    def _fitting(self, n: int, row: Received) -> Floats:
        """(categories,) parts of a row's items in a cell's categories; they add up to 1."""
        categories = self.categories[n]
        fits = self.plan.mould[categories] == row.mould
        if (
            row.red_rot is not None
            and (fits & (self.plan.red_rot[categories] == row.red_rot)).any()
        ):
            fits = fits & (self.plan.red_rot[categories] == row.red_rot)
        weight = self.plan.alpha[n, : len(categories)] * fits
        total = weight.sum()
        return np.asarray(weight / total if total > 0.0 else weight)

    def pools(self) -> list[tuple[Floats, Floats]]:
        """Boxes of each cell, those with at least two items."""
        found = []
        for n in range(len(self.plan.cells)):
            own = [counts for (cell, _), counts in self.boxes.items() if cell == n]
            large = [counts for counts in own if counts.sum() >= 2.0]
            if len(large) >= 2:
                table = np.array(large)
                found.append((table, table.sum(axis=0)))
        return found

    def box_items(self) -> float:
        """Average items in a box: boxes of several materials count once."""
        names: dict[tuple[str, str], float] = {}
        for (n, box), counts in self.boxes.items():
            key = self.plan.cells[n].series, box
            names[key] = names.get(key, 0.0) + float(counts.sum())
        return sum(names.values()) / len(names) if names else USUAL_BOX_ITEMS


def _alpha(plan: Plan, told: Floats) -> tuple[Floats, Floats]:
    """(cells, categories of one) Dirichlet parameters, and (cells,) what is common.

    A cell with a survey of its own, or the only one of its material: its survey and its boxes are
    counted, and what was opened of the material elsewhere is worth some items. Cells that share a
    survey have a common mix, known by the survey and by all boxes, and differ from it as much as
    series do (a Dirichlet around a Dirichlet).

    Args:
        plan: of the project.
        told: (cells, categories of one) opened items, each at what it is worth.
    """
    alpha, common = np.zeros_like(plan.alpha), np.zeros(len(plan.cells))
    surveyed = np.maximum(plan.alpha - _HALF_AN_ITEM, 0.0)
    spread = _series_concentration(plan, told)
    each = told.sum(axis=1, keepdims=True)
    of_common = told * (spread + 1.0) / (spread + each)
    for n, cell in enumerate(plan.cells):
        of_material = [m for m, other in enumerate(plan.cells) if other.material == cell.material]
        width = int((plan.alpha[n] > 0.0).sum())
        own, seen = told[n, :width], surveyed[n, :width]
        elsewhere = told[of_material, :width].sum(axis=0) - own
        if _alone(plan, n):
            like = _ELSEWHERE * elsewhere / (_ELSEWHERE + elsewhere.sum())
            alpha[n, :width] = _HALF_AN_ITEM + seen / _SURVEY_INFLATION + like + own
            continue
        middle = _HALF_AN_ITEM + seen / _SURVEY_INFLATION
        middle = middle + of_common[of_material, :width].sum(axis=0) - of_common[n, :width]
        known = float(middle.sum())
        weight = 1.0 / (1.0 / known + 1.0 / spread)
        alpha[n, :width] = weight * middle / known + own
        common[n] = weight**2 / ((weight + own.sum()) * known)
    return alpha, common


def _alone(plan: Plan, n: int) -> bool:
    """Whether no other cell rests on the same evidence."""
    return sum(cell.mix_name == plan.cells[n].mix_name for cell in plan.cells) == 1


def _series_concentration(plan: Plan, told: Floats) -> float:
    """Of a series' own mix around that of its material, as far as opened series tell.

    Pearson's chi-square of like series against their pool is a chi-square times what items of a
    series have in common inflates it by (Brier 1980, as for boxes).
    """
    concentration, prior = np.array(_SERIES).T
    logs = np.log(prior)
    for material in dict.fromkeys(cell.material for cell in plan.cells):
        rows = [
            n
            for n, cell in enumerate(plan.cells)
            if cell.material == material and told[n].sum() >= 2.0
        ]
        if len(rows) < 2:
            continue
        chi_square, df, usual = _chi_square(told[rows], told[rows].sum(axis=0))
        inflated = 1.0 + usual / (concentration + 1.0)
        logs = logs - df / 2.0 * np.log(inflated) - chi_square / (2.0 * inflated)
    weight = np.exp(logs - logs.max())
    return float(weight.sum() / (weight / (concentration + 1.0)).sum() - 1.0)
