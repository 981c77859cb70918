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

# One less of a move (-1: of none), one more of another, and what must wait at which nodes for that.
_Change = tuple[int, int, tuple[tuple[int, int], ...]]
_Onward = list[tuple[Ints, Ints]]  # nodes, and those after them
Flags = NDArray[np.bool_]

_PLENTY = 2**40  # at a node that holds as many as one likes


class Shortfall(Exception):  # noqa: N818  # no error: a draw that has to be made otherwise
    """The rows contradict each other."""


@dataclass(frozen=True)
class _Open:
    """A row that leaves something open.

    Attributes:
        moves, start, end: its moves, and their nodes.
        effect: nodes that may be short, which move each belongs to, and what it adds there.
        nodes: from which what waits may be at a start, or come there at will, in so many
            ``ways`` (starts, nodes); None: only at the start itself.
    """

    number: int
    moves: Ints
    start: Ints
    end: Ints
    effect: tuple[Ints, Ints, Ints]
    nodes: Ints
    ways: Ints | None

    @cached_property
    def apart(self) -> bool:
        """Whether no two of the moves have an effect on one node."""
        return len(np.unique(self.effect[0])) == len(self.effect[0])

    def room(self, waits: Ints) -> Ints:
        """What waits at each start, or may come there at will."""
        there = np.maximum(waits[self.nodes], 0)
        return there if self.ways is None else np.asarray(self.ways @ there)


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
    def open_rows(self) -> list[tuple[_Onward | None, list[_Open]]]:
        """Rows that leave something open, in their order; those that begin together in one list.

        With each list the nodes beyond its first, from the last, and those after them; None: what
        these are short of is known from the list before.
        """
        rows: dict[int, list[_Open]] = {}
        ways = self._ways()
        level = np.zeros(self.nodes, dtype=np.int64)
        for n, group in enumerate(self.order):
            level[group] = n
        for n, mine in enumerate(self.of_row):
            if len(mine) > 1 and self.number[n] and not self.given[n]:
                first = int(level[self.start[mine]].max())
                rows.setdefault(first, []).append(self._open(n, mine, ways))
        found: list[tuple[_Onward | None, list[_Open]]] = []
        beyond = True
        for first in sorted(rows, reverse=True):
            found.append((self._onward(first) if beyond else None, rows[first]))
            # Only what leaves a node further on changes what is short there.
            beyond = any((level[row.start] < first).any() for row in rows[first])
        return found

    def _open(self, row: int, mine: Ints, ways: Ints) -> _Open:
        start = self.start[mine]
        ways = ways[start]
        from_nodes = np.flatnonzero(ways.any(axis=0))
        alone = len(from_nodes) == len(np.unique(start)) and int(ways.sum()) == len(start)
        return _Open(
            number=int(self.number[row]),
            moves=mine,
            start=start,
            end=self.end[mine],
            effect=self._effect_of(mine),
            nodes=start if alone else from_nodes,
            ways=None if alone else ways[:, from_nodes],
        )

    def _effect_of(self, moves: Ints) -> tuple[Ints, Ints, Ints]:
        """(K,) nodes, places among some moves, and what one of the move adds to the node."""
        rows = [
            (node, place, by)
            for place, move in enumerate(moves.tolist())
            for node, by in self.effects[move].items()
        ]
        table = np.array(rows, dtype=np.int64).reshape(-1, 3)
        return table[:, 0], table[:, 1], table[:, 2]

    def _ways(self) -> Ints:
        """(N, N) in how many ways what waits at the second node may come to the first at will."""
        ways = np.eye(self.nodes, dtype=np.int64)
        for start, end in self.open_ways:
            ways[end] += ways[start]
        return ways

    def _onward(self, level: int) -> _Onward:
        """Nodes and those after them, from the last; one with none after it is left out."""
        pairs = [(group, self.next_node[group]) for group in self.order[:level]]
        return [(group, after) for group, after in pairs if (group != after).all()]

    @cached_property
    def open_ways(self) -> list[tuple[Ints, Ints]]:
        """Start and end of the moves at will, those of the first nodes first."""
        will = np.flatnonzero(self.row == AT_WILL)
        found = []
        for group in reversed(self.order):
            mine = will[np.isin(self.start[will], group)]
            if len(mine):
                found.append((self.start[mine], self.end[mine]))
        return found

    @cached_property
    def touching(self) -> list[list[int]]:
        """For each node the moves that end, begin or count there."""
        touching: list[list[int]] = [[] for _ in range(self.nodes)]
        for move, effect in enumerate(self.effects):
            for node in effect:
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

    def helping(self, node: int) -> list[_Change]:
        """Changes that bring a node one more item: one less of a move, one more of another.

        Moves at will come first, and the last resort last.
        """
        known: dict[int, list[_Change]] = self.__dict__.setdefault("_helping", {})
        if node not in known:
            known[node] = self._changes(node)
        return known[node]

    def _changes(self, node: int) -> list[_Change]:
        found: list[_Change] = []
        last: list[_Change] = []
        for move in self.touching[node]:
            row, gain = int(self.row[move]), self.effects[move][node] > 0
            if row < 0:
                change = (-1, move) if gain else (move, -1)
                (last if row == LAST_RESORT and gain else found).append(self._change(*change))
                continue
            for other in self.of_row[row].tolist():
                less, more = (other, move) if gain else (move, other)
                if other != move and self._effect(less, more).get(node, 0) > 0:
                    found.append(self._change(less, more))
        return [*found, *last]

    def _change(self, less: int, more: int) -> _Change:
        lacks = tuple((n, -by) for n, by in self._effect(less, more).items() if by < 0)
        return less, more, lacks

    def _effect(self, less: int, more: int) -> dict[int, int]:
        effect = dict(self.effects[more]) if more >= 0 else {}
        for node, by in (self.effects[less] if less >= 0 else {}).items():
            effect[node] = effect.get(node, 0) - by
        return {node: by for node, by in effect.items() if by}

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
    short = np.zeros_like(waits)
    for onward, rows in moves.open_rows:
        if onward is not None:
            short = _short(onward, waits)
        _share(rows, short, made, waits, rng)
    waits[list(moves.endless)] = _PLENTY
    if not (waits < 0).any():
        return made
    # Lists, because single numbers of an array take several times as long.
    counts, there = made.tolist(), waits.tolist()
    relieved = all(
        _relieve(moves, node, counts, there, rng)
        for group in moves.order
        for node in group[waits[group] < 0].tolist()
    )
    made = np.array(counts, dtype=np.int64)
    if not relieved:
        price = 1.0 + rng.random(len(made)) + 50.0 * (moves.row == LAST_RESORT)
        made = solve(moves, made, price)
    return made


# --- one row after the other ---------------------------------------------------------------------


def _share(
    rows: list[_Open], short: Ints, made: Ints, waits: Ints, rng: np.random.Generator
) -> None:
    """Share out rows of one stage: first what later rows will need, then as it comes."""
    for row in rows:
        room, number = row.room(waits), row.number
        there, needed = int(room.sum()), short[row.end]
        if needed.any():
            first = np.minimum(needed, room)
            of_these = int(first.sum())
            share = _some(first, of_these, number, rng)
            already = min(of_these, number)
            share += _some(room - share, there - already, number - already, rng)
            short[row.end] = np.maximum(needed - share, 0)
        else:
            share = _some(room, there, number, rng)
        if there < number:  # short for now: others will hand over
            share[int(rng.integers(len(share)))] += number - there
        made[row.moves] += share
        nodes, place, by = row.effect
        if row.apart:
            waits[nodes] += share[place] * by
        else:
            np.add.at(waits, nodes, share[place] * by)


def _some(among: Ints, there: int, number: int, rng: np.random.Generator) -> Ints:
    """So many of some, which are ``there`` in all; or all if there are no more."""
    if there <= number:
        return among.copy()
    return np.asarray(rng.multivariate_hypergeometric(among, number), dtype=np.int64)


def _short(onward: _Onward, waits: Ints) -> Ints:
    """(N,) what must still come to each node, for what leaves it and the nodes after it."""
    short = np.zeros_like(waits)
    if waits.min() >= 0:
        return short
    for group, after in onward:
        short[group] = np.maximum(0, short[after] - waits[group])
    return short


# --- handing over --------------------------------------------------------------------------------


def _relieve(
    moves: Moves, node: int, made: list[int], waits: list[int], rng: np.random.Generator
) -> bool:
    """Make good what a node is short of; whether that could be done."""
    while waits[node] < 0:
        chain = _chain(moves, node, made, waits, rng)
        if not chain or not _apply(moves, chain, node, made, waits):
            return False
    return True


def _chain(
    moves: Moves, node: int, made: list[int], waits: list[int], rng: np.random.Generator
) -> list[_Change]:
    """The shortest chain of changes that brings one more item to a node; none: empty.

    Breadth first. Each change leaves one node worse off at most, to which the next one brings an
    item; the last leaves none worse off than it may be.
    """
    came_by: dict[int, tuple[int, _Change] | None] = {node: None}
    border = [node]
    for at in border:  # it grows
        changes = moves.helping(at)
        first = int(rng.random() * len(changes))
        for change in changes[first:] + changes[:first]:
            less, _, lacks = change
            if less >= 0 and not made[less]:
                continue
            lacking = -1
            for each, by in lacks:
                if waits[each] < by:
                    if lacking >= 0:
                        break  # two of them
                    lacking = each
            else:
                if lacking < 0:
                    return _led(came_by, at, change)
                if lacking not in came_by:
                    came_by[lacking] = at, change
                    border.append(lacking)
    return []


def _led(
    came_by: dict[int, tuple[int, _Change] | None], at: int, last: _Change
) -> list[_Change]:
    """The changes of a chain, from its last."""
    chain = [last]
    step = came_by[at]
    while step is not None:
        chain.append(step[1])
        step = came_by[step[0]]
    return chain


def _apply(
    moves: Moves, chain: list[_Change], node: int, made: list[int], waits: list[int]
) -> bool:
    """Make the changes of a chain as often as they can be made and are needed."""
    by_move: dict[int, int] = {}
    by_node: dict[int, int] = {}
    for less, more, _ in chain:
        for move, sign in ((less, -1), (more, 1)):
            if move >= 0:
                by_move[move] = by_move.get(move, 0) + sign
                for each, by in moves.effects[move].items():
                    by_node[each] = by_node.get(each, 0) + sign * by
    gain = by_node.get(node, 0)
    if gain < 1:
        return False
    both = ((by_node, waits), (by_move, made))
    room = [
        max(0, have[each]) // -by for table, have in both for each, by in table.items() if by < 0
    ]
    times = min([-(waits[node] // gain), *room])
    for table, have in both:
        for each, by in table.items():
            have[each] += by * times
    return times > 0


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
    # Presolving has called feasible programmes infeasible: what it says of that is looked at again.
    for presolve in (True, False):
        found = milp(
            np.concatenate([none, price]),  # as wished, and beyond
            integrality=np.ones(2 * size, dtype=np.int64),
            bounds=Bounds(0.0, np.concatenate([np.maximum(wanted, 0), none + np.inf])),
            constraints=[
                LinearConstraint(hstack([flow[limited]] * 2), 0.0, np.inf),
                LinearConstraint(hstack([told] * 2), moves.number, moves.number),
            ],
            options={"presolve": presolve},
        )
        if found.x is not None:
            return np.rint(found.x[:size] + found.x[size:]).astype(np.int64)
    raise Shortfall
