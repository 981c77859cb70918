"""Told totals shared out among kinds of items, so that every told number holds in every draw.

A told number is a *row*: so many items made one of some *moves*, each from a node to a node. A node
is where items of one kind wait, and never holds fewer than none. What a row leaves open is drawn
by multivariate hypergeometric from what waits at its nodes. Where the draw of one row leaves
another too little, rows hand items over to each other; if that leads nowhere, an integer
programme finds some solution, or shows that there is none.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array, hstack

__all__ = ["AT_WILL", "LAST_RESORT", "Moves", "Shortfall", "allot", "solve"]

AT_WILL, LAST_RESORT = -1, -2

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
_Change = tuple[tuple[int, int], dict[int, int]]
Flags = NDArray[np.bool_]

_PLENTY = 2**40  # at a node that holds as many as one likes
_DEEP = 14  # nodes that one handing over may reach back through


class Shortfall(Exception):  # noqa: N818  # no error: a draw that has to be made otherwise
    """The rows contradict each other."""


@dataclass(frozen=True)
class Moves:
    """Who may go where. M moves, R rows, N nodes.

    Attributes:
        row: (M,) the row that a move belongs to; AT_WILL: it may be made as often as one likes;
            LAST_RESORT: likewise, but rather not.
        start, end: (M,) nodes; also: (M,) another node that gains what the end gains.
        number: (R,) items of each row.
        given: (R,) rows that the caller shares out, and that others may change afterwards.
        next_node: (N,) the node that comes after one, itself where there is none.
        order: nodes from the last to the first, so that each stands before those that lead to it;
            nodes of one array have no way among themselves.
        endless: nodes that are never short.
    """

    row: Ints
    start: Ints
    end: Ints
    also: Ints
    number: Ints
    given: Flags
    next_node: Ints
    order: tuple[Ints, ...]
    endless: tuple[int, ...]

    @property
    def nodes(self) -> int:
        """How many nodes there are."""
        return len(self.next_node)

    @cached_property
    def of_row(self) -> list[Ints]:
        """The moves of each row."""
        order = np.argsort(self.row, kind="stable")
        bounds = np.searchsorted(self.row[order], np.arange(len(self.number) + 1))
        return [order[bounds[n] : bounds[n + 1]] for n in range(len(self.number))]

    @cached_property
    def settled(self) -> tuple[Ints, Ints]:
        """(M,) how often each move is made where a row has only one, and (N,) what then waits."""
        made = np.zeros(len(self.row), dtype=np.int64)
        for number, mine in zip(self.number, self.of_row, strict=True):
            if len(mine) == 1:
                made[mine] = number
        made[np.isin(self.row, np.flatnonzero(self.given))] = 0
        return made, self.waiting(made)

    @cached_property
    def open_rows(self) -> list[int]:
        """Rows that leave something open, in their order."""
        return [
            n
            for n, mine in enumerate(self.of_row)
            if len(mine) > 1 and self.number[n] and not self.given[n]
        ]

    @cached_property
    def at_will(self) -> Ints:
        """Moves that may be made as often as one likes."""
        return np.flatnonzero(self.row == AT_WILL)

    @cached_property
    def touching(self) -> list[list[int]]:
        """For each node the moves that end, begin or count there."""
        touching: list[list[int]] = [[] for _ in range(self.nodes)]
        for move, nodes in enumerate(zip(self.start, self.end, self.also, strict=True)):
            for node in set(map(int, nodes)) - set(self.endless):
                touching[node].append(move)
        return touching

    @cached_property
    def effects(self) -> list[dict[int, int]]:
        """For each move what it adds to nodes that may be short."""
        effects: list[dict[int, int]] = []
        for start, end, also in zip(
            self.start.tolist(), self.end.tolist(), self.also.tolist(), strict=True
        ):
            effect: dict[int, int] = {}
            for node, by in ((start, -1), (end, 1), (also, 1)):
                if node not in self.endless:
                    effect[node] = effect.get(node, 0) + by
            effects.append({node: by for node, by in effect.items() if by})
        return effects

    def waiting(self, made: Ints) -> Ints:
        """(N,) what waits at each node."""
        waits = np.bincount(self.end, made, self.nodes) - np.bincount(self.start, made, self.nodes)
        waits += np.bincount(self.also, made, self.nodes)
        waits[list(self.endless)] = _PLENTY
        return waits.astype(np.int64)


def allot(moves: Moves, given: Ints, rng: np.random.Generator) -> Ints:
    """Share out every row.

    Args:
        moves: who may go where.
        given: (M,) how often the moves of given rows are made, 0 elsewhere.
        rng: for what the rows leave open.

    Returns:
        (M,) how often each move is made. Rows hold, and no node is short.

    Raises:
        Shortfall: no such numbers exist.
    """
    settled, waits = moves.settled
    made = settled + given
    waits = waits + moves.waiting(given)
    waits[list(moves.endless)] = _PLENTY
    for row in moves.open_rows:
        _share(moves, row, made, waits, rng)
    for group in moves.order:
        for node in group[waits[group] < 0].tolist():
            _relieve(moves, node, made, waits, rng)
    if (waits < 0).any():
        price = 1.0 + rng.random(len(made)) + 50.0 * (moves.row == LAST_RESORT)
        made = solve(moves, made, price)
    return made


# --- one row after the other ---------------------------------------------------------------------


def _share(moves: Moves, row: int, made: Ints, waits: Ints, rng: np.random.Generator) -> None:
    """Share out a row: first what later rows will need, then as it comes."""
    mine, number = moves.of_row[row], int(moves.number[row])
    room = _reach(moves, waits)[moves.start[mine]]
    needed = np.minimum(_short(moves, waits)[moves.end[mine]], room)
    share = _some(needed, number, rng)
    share += _some(room - share, number - int(share.sum()), rng)
    left = number - int(share.sum())
    if left:
        share[int(rng.integers(len(mine)))] += left  # short for now: others will hand over
    made[mine] += share
    np.subtract.at(waits, moves.start[mine], share)
    np.add.at(waits, moves.end[mine], share)
    np.add.at(waits, moves.also[mine], share)
    waits[list(moves.endless)] = _PLENTY


def _some(among: Ints, number: int, rng: np.random.Generator) -> Ints:
    """So many of some, or all if there are no more."""
    if among.sum() <= number:
        return among.copy()
    return np.asarray(rng.multivariate_hypergeometric(among, number), dtype=np.int64)


def _short(moves: Moves, waits: Ints) -> Ints:
    """(N,) what must still come to each node, for what leaves it and the nodes after it."""
    short = np.zeros(moves.nodes, dtype=np.int64)
    for group in moves.order:
        after = moves.next_node[group]
        short[group] = np.maximum(0, np.where(after == group, 0, short[after]) - waits[group])
    return short


def _reach(moves: Moves, waits: Ints) -> Ints:
    """(N,) what waits at each node, or may come there at will."""
    reach = np.maximum(waits, 0)
    if len(moves.at_will):
        for group in reversed(moves.order):
            mine = moves.at_will[np.isin(moves.start[moves.at_will], group)]
            np.add.at(reach, moves.end[mine], reach[moves.start[mine]])
    return reach


# --- handing over --------------------------------------------------------------------------------


def _relieve(moves: Moves, node: int, made: Ints, waits: Ints, rng: np.random.Generator) -> None:
    """Make good what a node is short of, as far as it goes."""
    search = _Search(moves, made, waits, rng)
    while waits[node] < 0:
        if not search.give(node, frozenset(), _DEEP):
            return


class _Search:
    """Ways to bring one more item to a node."""

    def __init__(self, moves: Moves, made: Ints, waits: Ints, rng: np.random.Generator) -> None:
        self.moves, self.made, self.waits, self.rng = moves, made, waits, rng
        self.steps = 20_000

    def give(self, node: int, seen: frozenset[int], deep: int) -> bool:
        """Bring at least one more item to a node, leaving no other worse off than it may be."""
        self.steps -= 1
        if node in seen or deep == 0 or self.steps < 0:
            return False
        changes = self.changes(node)
        for change in changes:  # what can be done at once
            if self.apply(change, node):
                return True
        for change in changes:
            lacking = [n for n, by in change[1].items() if by < 0 and self.waits[n] + by < 0]
            given = all(self.give(n, seen | {node}, deep - 1) for n in lacking)
            if given and self.apply(change, node):
                return True
        return False

    def changes(self, node: int) -> list[_Change]:
        """Pairs of moves, one less of the first and one more of the second (-1: none), that help.

        In a random order, but for those at will, which come first, and the last resort.
        """
        moves = self.moves
        free: list[_Change] = []
        found: list[_Change] = []
        last: list[_Change] = []
        for move in moves.touching[node]:
            row = int(moves.row[move])
            if row < 0:
                if moves.effects[move].get(node, 0) > 0:
                    (free if row == AT_WILL else last).append(((-1, move), moves.effects[move]))
                if self.made[move] and moves.effects[move].get(node, 0) < 0:
                    undone = {n: -by for n, by in moves.effects[move].items()}
                    found.append(((move, -1), undone))
                continue
            for other in moves.of_row[row].tolist():
                for pair in ((move, other), (other, move)):
                    if other != move and self.made[pair[0]]:
                        effect = self.effect(*pair)
                        if effect.get(node, 0) > 0:
                            found.append((pair, effect))
        order = self.rng.permutation(len(found)).tolist()
        return [*free, *(found[n] for n in order), *last]

    def effect(self, less: int, more: int) -> dict[int, int]:
        effect = dict(self.moves.effects[more])
        for node, by in self.moves.effects[less].items():
            effect[node] = effect.get(node, 0) - by
        return {node: by for node, by in effect.items() if by}

    def apply(self, change: _Change, node: int) -> bool:
        """Make a change as often as it can be made and is needed."""
        (less, more), effect = change
        times = max(1, -int(self.waits[node]))
        if less >= 0:
            times = min(times, int(self.made[less]))
        for each, by in effect.items():
            if by < 0:
                times = min(times, int(self.waits[each]) // -by)
        if times < 1:
            return False
        for each, by in effect.items():
            self.waits[each] += by * times
        if less >= 0:
            self.made[less] -= times
        if more >= 0:
            self.made[more] += times
        return True


# --- when nothing else helps ---------------------------------------------------------------------


def solve(moves: Moves, wanted: Ints, price: Floats) -> Ints:
    """The solution that is nearest to a wish, found as an integer programme by HiGHS.

    Args:
        moves: who may go where.
        wanted: (M,) how often each move would be made; it need not fit.
        price: (M,) of making a move once more than that, above 0.

    Returns:
        (M,) how often each move is made.

    Raises:
        Shortfall: there is no solution.
    """
    size, rows = len(moves.row), len(moves.number)
    at, none = np.arange(size), np.zeros(size)
    nodes = np.concatenate([moves.start, moves.end, moves.also])
    signs = np.repeat([-1.0, 1.0, 1.0], size)
    flow = coo_array((signs, (nodes, np.tile(at, 3))), shape=(moves.nodes, size)).tocsr()
    limited = np.setdiff1d(np.arange(moves.nodes), moves.endless)
    mine = at[moves.row >= 0]
    told = coo_array((np.ones(len(mine)), (moves.row[mine], mine)), shape=(rows, size)).tocsr()
    found = milp(
        np.concatenate([none, price]),  # as wished, and beyond
        integrality=np.ones(2 * size, dtype=np.int64),
        bounds=Bounds(0.0, np.concatenate([np.maximum(wanted, 0), none + np.inf])),
        constraints=[
            LinearConstraint(hstack([flow[limited]] * 2), 0.0, np.inf),
            LinearConstraint(hstack([told] * 2), moves.number, moves.number),
        ],
    )
    if found.x is None:
        raise Shortfall
    return np.rint(found.x[:size] + found.x[size:]).astype(np.int64)
