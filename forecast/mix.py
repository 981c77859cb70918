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

_PRIOR_ITEMS = 12.0  # what the survey's mix weighs before its items are counted ...
_SURVEY_INFLATION = 1.5  # ... each of which is worth this part of an independent one
_HALF_AN_ITEM = 0.5  # of each category, so that none is impossible
_CORRELATION = 0.10  # of two items in a box, before boxes were told ...
_CORRELATION_WEIGHT = 15.0  # ... and how many degrees of freedom that weighs

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
    """

    cells: tuple[tuple[str, str], ...]
    alpha: Floats
    box_items: float
    correlation: float
    opened: Floats

    @property
    def concentration(self) -> float:
        """Of a box's own mix around the cell's (Dirichlet-multinomial): 1 / correlation - 1."""
        return 1.0 / max(self.correlation, 1e-3) - 1.0

    def alpha_of(self, plan: Plan) -> Floats:
        """(cells, categories of one) for another plan: its own of cells that are new, or other."""
        known = {cell: n for n, cell in enumerate(self.cells)}
        alpha = plan.alpha.copy()
        for n, cell in enumerate(plan.cells):
            m = known.get((cell.series, cell.material))
            if m is not None:
                width = int((plan.alpha[n] > 0.0).sum())
                if width == int((self.alpha[m] > 0.0).sum()):
                    alpha[n, :width] = self.alpha[m, :width]
        return alpha


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
        sizes = counts.sum(axis=1)
        share = pooled[pooled > 0.0] / pooled.sum()
        df = (len(counts) - 1) * (len(share) - 1)
        usual = float((sizes**2).sum() / sizes.sum()) - 1.0
        if df <= 0 or usual <= 0.0:
            continue
        expected = sizes[:, None] * share
        chi_square = float(((counts[:, pooled > 0.0] - expected) ** 2 / expected).sum())
        excess += (chi_square - df) / usual
        weight += df
        freedom += df
    total = weight + _CORRELATION_WEIGHT
    estimate = (excess + _CORRELATION_WEIGHT * _CORRELATION) / total
    return float(np.clip(estimate, 0.0, 0.9)), freedom


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
    return MixBelief(
        cells=tuple((cell.series, cell.material) for cell in plan.cells),
        alpha=_alpha(plan, opened, max(1.0, inflation)),
        box_items=box_items,
        correlation=correlation,
        opened=opened.cells.sum(axis=1),
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


def _alpha(plan: Plan, opened: _Opened, inflation: float) -> Floats:
    """(cells, categories of one) Dirichlet parameters.

    The survey's mix, with what was opened of the material elsewhere, is worth some items; a cell's
    own survey and boxes are counted on top, each at what it is worth.
    """
    alpha = np.zeros_like(plan.alpha)
    surveyed = np.maximum(plan.alpha - _HALF_AN_ITEM, 0.0)
    for n, cell in enumerate(plan.cells):
        of_material = [m for m, other in enumerate(plan.cells) if other.material == cell.material]
        width = len(opened.categories[n])
        elsewhere = opened.cells[of_material, :width].sum(axis=0) - opened.cells[n, :width]
        middle = surveyed[n, :width] + elsewhere / inflation + _HALF_AN_ITEM
        alpha[n, :width] = (
            _PRIOR_ITEMS * middle / middle.sum()
            + surveyed[n, :width] / _SURVEY_INFLATION
            + opened.cells[n, :width] / inflation
        )
    return alpha
