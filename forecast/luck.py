"""Luck by name: everything random about one future, drawn as arrays before it runs.

Two kinds of uncertainty are kept apart. *What nobody knows* (the mix of conditions, averages,
practice, delivered share, shares) is drawn once a replication, from the current belief. *What
varies anyway* (each item's minutes, drying rounds, checks; absences; good and bad weeks) is drawn
for each item, person and date, or stage and week.

Every stream of numbers is keyed by the hash of its name, never by its position or by the order of
events: two plans meet the same items, illnesses and rejects, more of a resource changes no item's
own luck, and another person, series or row shifts nobody else's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from hashlib import blake2b
from typing import Any, TypeVar

import numpy as np
from numpy.random.bit_generator import ISeedSequence
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri

from forecast import drawing, working_time
from forecast.beginning import Fates, Start
from forecast.drawing import Chances, Items, uniforms, words_at
from forecast.planning import (
    UNLIMITED,
    Beginning,
    Begun,
    Drawn,
    Knowledge,
    Plan,
    Settings,
    plan,
)
from forecast.stages import N_STAGES, PRACTISED_STAGES, Place, Stage

__all__ = [
    "UNLIMITED",
    "Knowledge",
    "Plan",
    "Replication",
    "Settings",
    "Shared",
    "plan",
    "replication",
    "stream",
]

_NOT_PRACTISED = [stage for stage in Stage if stage not in PRACTISED_STAGES]

_SHORT = 256  # bytes that make a key themselves
_MOST_ROUNDS = 32  # of scatter drawn for one item; a later round repeats the last

# Words of a seed, the same on every machine.
_LITTLE_ENDIAN: dict[np.dtype[Any], np.dtype[Any]] = {
    np.dtype(np.uint32): np.dtype("<u4"),
    np.dtype(np.uint64): np.dtype("<u8"),
}

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Words = NDArray[np.uint64]
T = TypeVar("T")
Key = tuple[Hashable, ...]


class _NameSeed(ISeedSequence):
    """The seed of a stream: what its name hashes to, drawn out to any length."""

    def __init__(self, digest: bytes) -> None:
        self._digest = digest

    def generate_state(self, n_words: int, dtype: Any = np.uint32) -> NDArray[Any]:
        """As many words as a generator of random numbers asks for."""
        wanted = np.dtype(dtype)
        if wanted not in _LITTLE_ENDIAN:
            raise ValueError(f"words of a seed are uint32 or uint64, not {wanted}")
        state = self._digest
        while len(state) < n_words * wanted.itemsize:
            state += blake2b(state).digest()
        return np.frombuffer(state, _LITTLE_ENDIAN[wanted], n_words).astype(wanted, copy=False)


@lru_cache(maxsize=65_536)
def _letters(names: tuple[str, ...]) -> bytes:
    return "\0".join(names).encode()


class _Draws:
    """One replication's random numbers, by name."""

    def __init__(self, seed: int, index: int) -> None:
        self._prefix = blake2b(f"{seed}\0{index}\0".encode())

    def digest(self, names: tuple[str, ...]) -> bytes:
        """64 bytes that a name hashes to."""
        named = self._prefix.copy()
        named.update(_letters(names))
        return named.digest()

    def stream(self, *names: str) -> np.random.Generator:
        seed: Any = _NameSeed(self.digest(names))  # the stubs know NumPy's own kind of seed only
        return np.random.Generator(np.random.SFC64(seed))

    def words(self, names: Sequence[tuple[str, ...]], columns: int = 1) -> Words:
        """(names, columns) up to eight words a name, straight from its hash."""
        digests = b"".join([self.digest(name) for name in names])
        return np.frombuffer(digests, "<u8").reshape(-1, 8)[:, :columns].astype(np.uint64)

    def uniforms(self, names: Sequence[tuple[str, ...]], places: Words | None = None) -> Floats:
        """(names,) one uniform a name, or (names, places) at places of it; none is 0 or 1."""
        words = self.words(names)
        return np.asarray(uniforms(words[:, 0] if places is None else words_at(places, words)))

    def normals(self, names: Sequence[tuple[str, ...]], places: Words | None = None) -> Floats:
        """(names,) or (names, places) standard normals: where the uniforms lie."""
        return np.asarray(ndtri(self.uniforms(names, places)))


def stream(seed: int, index: int, *names: str) -> np.random.Generator:
    """The random numbers of one name in one replication.

    Doty-Humphrey's SFC64, seeded with the BLAKE2b hash (RFC 7693) of seed, replication and name:
    no stream depends on which others were asked for, and no two are related.
    """
    return _Draws(seed, index).stream(*names)


def _normals(words: Words) -> Floats:
    """Standard normals, by inversion."""
    return np.asarray(ndtri(uniforms(words)))


@dataclass(frozen=True)
class Replication:
    """One future's luck and tables: all that an engine reads.

    Axes: I items in the order of work, P persons in the order of team.csv, D days from the grant's
    start to the horizon, W calendar weeks (week 0 holds day 0), L lists of preference.

    Attributes:
        settings: numbers that no luck touches.
        arrival: (I,) seconds at which the item comes from the store.
        mould, red_rot, bound, images: (I,) as received.
        applies: (I, 9) whether the stage applies to the item.
        base_seconds: (I, 9) average x own scatter, before practice and week.
        again_seconds: (I,) the same for imaging a rejected item again.
        again_images: (I,) images that are made again each time.
        rejections: (I,) how many checks in a row reject the item.
        rounds: (I,) drying rounds until it is dry.
        round_days: (I, K) days of its k-th round before the month's factor; the last repeats.
        set_aside, not_imaged: (I,) items that end otherwise; ``applies`` already leaves out what a
            not-imaged item skips.
        practice: (9, I + N + 1) factor after that many first passes of the team at the stage.
        finished_before: (9,) first passes on record at the start.
        week_factor: (9, W); week_of_day: (D,); month_factor: (D,).
        shift_begin, shift_end: (P, D) seconds since the grant's start; equal: no shift.
        mould_work: (P, D) assigned to mould work on that day.
        list_of: (P, D) index of the list of preference in force, -1 outside every row.
        preferences: (L, 9) stages by preference, filled up with -1; trained: (L, 9).
        capacity: (5, D) places of each kind; UNLIMITED is no limit.
        exposure_before: (P, 6) seconds of exposure on the six days before the start.
        delivered_share: (D,) share of rostered hours that reaches the stages.
        start: where everything is when the simulation begins; None: nothing has happened yet.
            ``rounds`` include those behind an item then, ``rejections`` do not.
    """

    settings: Settings
    arrival: Ints
    mould: NDArray[np.int8]
    red_rot: Flags
    bound: Flags
    images: Ints
    applies: Flags
    base_seconds: Floats
    again_seconds: Floats
    again_images: Ints
    rejections: Ints
    rounds: Ints
    round_days: Floats
    set_aside: Flags
    not_imaged: Flags
    practice: Floats
    finished_before: Ints
    week_factor: Floats
    week_of_day: Ints
    month_factor: Floats
    shift_begin: Ints
    shift_end: Ints
    mould_work: Flags
    list_of: Ints
    preferences: NDArray[np.int8]
    trained: Flags
    capacity: Ints
    exposure_before: Ints
    delivered_share: Floats
    start: Start | None = None

    @property
    def sets_drying(self) -> Ints:
        """(K,) seconds at which the tool sets that dry at the start are clean, the first first.

        A set that would be clean by then is clean; none dries longer than from the start on (R12).
        """
        if self.start is None or (self.capacity[Place.TOOL_SET] >= UNLIMITED).all():
            return np.zeros(0, dtype=np.int64)
        clean_at = np.sort(self.start.tool_sets_clean_at)
        latest = self.settings.start + self.settings.tool_drying
        return np.minimum(clean_at[clean_at >= self.settings.start], latest)


class Shared:
    """What several plans meet alike in one future: each part is worked out once.

    A part is known by all that it follows from, so that nothing is shared that could differ: what
    a plan has of it by content, what was drawn before it likewise. Arrays are shared as they are;
    nobody writes into them.
    """

    def __init__(self) -> None:
        self._parts: dict[Key, Any] = {}

    def once(self, key: Callable[[], Key], make: Callable[[], T]) -> T:
        """A part, made at the first call with an equal key."""
        name = key()
        if name not in self._parts:
            self._parts[name] = make()
        made: T = self._parts[name]
        return made

    def own(self, array: Floats | Ints) -> Any:
        """An array to be changed by one that is not the only one to have it."""
        return array.copy()


class _Alone(Shared):
    """One plan alone: nothing is kept, and nothing copied."""

    def once(self, key: Callable[[], Key], make: Callable[[], T]) -> T:  # noqa: ARG002
        return make()

    def own(self, array: Floats | Ints) -> Any:
        return array


_ALONE = _Alone()


def _content(array: Floats | Ints | None) -> bytes | None:
    """An array's content, for a key: as it is where it is short."""
    if array is None:
        return None
    written = np.ascontiguousarray(array).tobytes()
    return written if len(written) <= _SHORT else blake2b(written, digest_size=16).digest()


@dataclass(frozen=True)
class _Believed:
    """One draw of all that nobody knows."""

    plan: Plan
    drawn: Drawn

    @property
    def values(self) -> Floats:
        """(E,) what estimates come to."""
        return self.drawn.values

    def __call__(self, *name: str) -> float:
        return float(self.values[self.plan.estimates.number[name]])


@dataclass(frozen=True)
class _Plain:
    """A draw of what nobody knows where no return has taught anything: the estimates'."""

    values: Floats
    practice: None = None
    week_factor: None = None
    share: None = None
    mix: None = None
    box_items: None = None
    box_concentration: None = None


def _believed(plan: Plan, draws: _Draws, shared: Shared) -> _Believed:
    """A row's draw hangs on the row's name, whatever is believed of it."""
    belief = None if plan.knowledge is None else plan.knowledge.belief
    if belief is None:
        drawn: Drawn = shared.once(
            lambda: ("estimates", plan.estimates_alike), lambda: _estimated(plan, draws)
        )
    else:
        drawn = shared.once(
            lambda: ("belief", id(belief), plan.work_itself),
            lambda: belief.drawn(plan, draws.normals, draws.uniforms),
        )
    return _Believed(plan, drawn)


def _estimated(plan: Plan, draws: _Draws) -> _Plain:
    uniforms_of = draws.uniforms(plan.estimates.streams)
    return _Plain(plan.estimates.quantiles.at(uniforms_of))


def _conditions(plan: Plan, draws: _Draws, drawn: Drawn, luck: Floats) -> Ints:
    """Each item's category, cell-major as its luck.

    Looked-at items of no told series come last: nothing that was seen of one that is told is lost.
    """
    shares = _shares(plan, draws) if drawn.mix is None else np.ascontiguousarray(drawn.mix)
    if drawn.box_items is not None and drawn.box_concentration is not None:
        _by_boxes(plan, draws, drawn.box_items, drawn.box_concentration, luck)
    category = np.empty(len(luck), dtype=np.int64)
    most = int(plan.cell_table[:, 4].max(initial=0))
    room = np.empty(most), np.empty(most, dtype=np.int64)
    drawing.conditions(plan.cell_table, plan.seen, shares, luck, *room, category)
    for loose, items in zip(plan.loose, plan.loose_items, strict=True):
        at = items[_smallest(luck[items, drawing.LOOKED_AT], len(loose.seen))]
        category[at] = plan.first_category[at] + loose.seen
    return category


def _shares(plan: Plan, draws: _Draws) -> Floats:
    """(cells, categories) drawn shares of the conditions, added up: a Dirichlet from gammas."""
    names = [("mix", *cell.mix_name) for cell in plan.cells]
    luck = uniforms(draws.words(names, plan.alpha.shape[1]))
    gammas = np.where(plan.alpha > 0.0, gammaincinv(plan.alpha, luck), 0.0)
    shares = gammas.cumsum(axis=1)
    return np.asarray(shares / shares[:, -1:])


def _by_boxes(
    plan: Plan, draws: _Draws, box_items: Floats, box_concentration: Floats, luck: Floats
) -> None:
    """Let items that share a box be alike: those of a cell lie in boxes one after the other.

    A box's own mix is a Dirichlet around the cell's, drawn item by item as from an urn (Blackwell
    and MacQueen 1973): an item has luck of its own, or that of one of those before it in the box.
    So no item depends on those that follow it.

    Args:
        plan: of the project.
        draws: of the replication.
        box_items: (cells,) items in a box; boxes do not begin with the cell, but somewhere in one.
        box_concentration: (cells,) as in :class:`forecast.planning.Drawn`.
        luck: (I, columns), cell-major; changed in place.
    """
    cell, before = plan.cell_major
    complete = np.array([each.complete for each in plan.cells])
    alike = ((box_items > 0.0) & (box_concentration > 0.0) & ~complete)[cell]
    if not alike.any():
        return
    keys = draws.words([("boxes", each.series, each.material) for each in plan.cells], 2)
    size = np.where(box_items > 0.0, box_items, 1.0)
    box = (before / size[cell] + uniforms(keys[:, 0])[cell]).astype(np.int64)
    item = np.arange(len(cell))
    begins = np.ones(len(cell), dtype=bool)
    begins[1:] = (box[1:] != box[:-1]) | (before[1:] == 0)
    first = np.maximum.accumulate(np.where(begins, item, 0))
    concentration = box_concentration[cell]
    drawn = uniforms(words_at(before.astype(np.uint64), keys[cell, 1]))
    drawn = drawn * (concentration + (item - first)) - concentration
    own = ~alike | begins | (drawn < 0.0)
    earlier = first + np.where(own, 0.0, drawn).astype(np.int64)
    of = np.where(own, item, np.minimum(earlier, item - 1))
    while not own[of].all():
        of = of[of]
    luck[:, drawing.CONDITION] = luck[of, drawing.CONDITION]


def _smallest(numbers: Floats, count: int) -> Ints:
    """Places of the smallest numbers, in their order."""
    if count < len(numbers):
        among = numbers.argpartition(count)[:count]
        return among[numbers[among].argsort(kind="stable")]
    return numbers.argsort(kind="stable")


def _round_days(
    plan: Plan, level: Floats, category: Ints, luck: Floats, most: int, dries: Flags
) -> Floats:
    """Days of each round before the month's factor, (I, K); 0 where nothing is dried.

    Args:
        plan: of the project.
        level: (C,) what a category's scatter is multiplied with.
        category: (I,) in the order of work.
        luck: (I,) uniforms that name an item's rounds.
        most: rounds of the item that has most.
        dries: (I,) whether drying applies.
    """
    at = np.flatnonzero(dries)
    most = min(_MOST_ROUNDS, most)
    own = category[at]
    keys = (luck[at] * 2.0**53).astype(np.uint64)
    z = _normals(words_at(np.arange(most, dtype=np.uint64), keys[:, None]))
    days = np.zeros((len(category), most))
    sigma = plan.per_item.sigma[:, Stage.DRYING]
    days[at] = level[own, None] * np.exp(sigma[own, None] * z)
    return days


def _shifts(plan: Plan, draws: _Draws, chance: float, share: Floats) -> tuple[Ints, Ints]:
    """Shifts after absence and the delivered share.

    Args:
        plan: of the project.
        draws: of the replication.
        chance: that absence begins on a day.
        share: (D,) of rostered hours.
    """
    time = plan.project.time
    if chance <= 0.0:
        return drawing.shifts(plan.rota, np.zeros_like(plan.rostered), share)
    keys = draws.words([("absence", person) for person in plan.project.persons])[:, 0]
    luck = np.empty((2, *plan.rostered.shape))
    drawing.fill_dates(keys, 2 * plan.project.grant.start.toordinal(), luck)
    absent = drawing.absences(plan.rostered, luck[0], luck[1], chance, time.absence_spell_days)
    return drawing.shifts(plan.rota, absent, share)


def _week_factors(plan: Plan, draws: _Draws, sigma: float) -> Floats:
    """(9, W) good and bad weeks at each stage: lognormal with mean 1, keyed by stage and Monday."""
    keys = draws.words([("week", stage.name) for stage in PRACTISED_STAGES])
    z = _normals(words_at(plan.week_place, keys))
    factors = np.ones((N_STAGES, len(plan.week_place)))
    factors[list(PRACTISED_STAGES)] = np.exp(sigma * z - sigma * sigma / 2.0)
    return factors


def _practice(plan: Plan, doubling: float) -> Floats:
    """The factor (1 + N/N0)^-b after N first passes, where 2^-b is the factor a doubling."""
    table = np.empty((N_STAGES, len(plan.doublings)))
    table[:] = np.exp(math.log(max(1e-6, doubling)) * plan.doublings)
    table[_NOT_PRACTISED] = 1.0
    return table


def replication(
    plan: Plan, seed: int, index: int, shared: Shared | None = None
) -> Replication:
    """Draw one future.

    Args:
        plan: what all futures of the project share.
        seed: the forecast's seed, 0 or more.
        index: the replication's number; the same number meets the same luck under every plan.
        shared: what other plans have met with the same seed and index; more is added. Plans whose
            luck is the same get the same arrays.
    """
    draws, kept = _Draws(seed, index), shared or _ALONE
    believed = _believed(plan, draws, kept)
    items, start, round_days = _Work(plan, draws, believed, kept).drawn()
    share = _or_else(
        believed.drawn.share, lambda: np.full(plan.project.days, believed("time.delivered_share"))
    )
    time = plan.project.time
    chance = working_time.absence_probability(
        believed("time.absence_days_a_year"), time.absence_spell_days, plan.absence_days
    )
    shift_begin, shift_end = kept.once(
        lambda: ("shifts", plan.hours_alike, chance, time.absence_spell_days, _content(share)),
        lambda: _shifts(plan, draws, chance, share),
    )
    return Replication(
        settings=plan.settings,
        arrival=plan.arrival,
        **items._asdict(),
        round_days=round_days,
        practice=_or_else(
            believed.drawn.practice, lambda: _practice_of(plan, believed("time.practice"), kept)
        ),
        finished_before=plan.finished_before,
        week_factor=_or_else(
            believed.drawn.week_factor,
            lambda: _weeks_of(plan, draws, believed("time.week_spread"), kept),
        ),
        week_of_day=plan.week_of_day,
        month_factor=plan.month_factor,
        shift_begin=shift_begin,
        shift_end=shift_end,
        mould_work=plan.mould_work,
        list_of=plan.list_of,
        preferences=plan.preferences,
        trained=plan.trained,
        capacity=plan.capacity,
        exposure_before=plan.exposure_before,
        delivered_share=share,
        start=start,
    )


def _practice_of(plan: Plan, doubling: float, shared: Shared) -> Floats:
    starts_at, passes = plan.project.time.practice_starts_at, len(plan.doublings)
    return shared.once(
        lambda: ("practice", doubling, starts_at, passes), lambda: _practice(plan, doubling)
    )


def _weeks_of(plan: Plan, draws: _Draws, sigma: float, shared: Shared) -> Floats:
    first, weeks = int(plan.week_place[0]), len(plan.week_place)
    return shared.once(
        lambda: ("weeks", sigma, first, weeks), lambda: _week_factors(plan, draws, sigma)
    )


class _Work:
    """Items of one future of a plan, and what they follow from."""

    def __init__(self, plan: Plan, draws: _Draws, believed: _Believed, shared: Shared) -> None:
        self.plan, self.draws, self.believed, self.shared = plan, draws, believed, shared
        self.beginning = None if plan.knowledge is None else plan.knowledge.beginning
        self.chances = _chances(plan, believed)

    def drawn(self) -> tuple[Items, Start | None, Floats]:
        """Items, where they are at the start, and days of their rounds."""
        return self.shared.once(lambda: self._of_items, self._drawn)

    # What each part follows from.

    @cached_property
    def _of_conditions(self) -> Key:
        drawn = self.believed.drawn
        believed = (drawn.mix, drawn.box_items, drawn.box_concentration)
        return ("conditions", self.plan.mix_alike, *(_content(array) for array in believed))

    @cached_property
    def _of_begun(self) -> Key:
        values = _content(self.believed.values[self.plan.values_behind])
        before = self.plan.at_beginning.behind_it
        return ("begun", id(self.beginning), before, values, self._of_conditions)

    @cached_property
    def _of_items(self) -> Key:
        values = _content(self.believed.values[self.plan.values_of_items])
        before = self._of_conditions if self.beginning is None else self._of_begun
        return ("items", self.plan.items_alike, self.chances, values, before)

    # How it is made.

    def _drawn(self) -> tuple[Items, Start | None, Floats]:
        plan, start = self.plan, None
        begun: Begun | None = None
        category, luck = self._conditions()
        if self.beginning is not None:
            category, luck, begun = self.shared.once(lambda: self._of_begun, self._begun)
        items, levels, most_rounds = _items(
            plan, self.chances, self.believed.values, category, luck, self._scatter()
        )
        if begun is not None:
            items, start, most_rounds = _go_on(items, begun)
        round_days = _round_days(
            plan,
            levels[:, Stage.DRYING],
            category.take(plan.order),
            luck[:, drawing.DRYING].take(plan.order),
            most_rounds,
            items.applies[:, Stage.DRYING],
        )
        return items, start, round_days

    def _scatter(self) -> Floats:
        return self.shared.once(
            lambda: ("scatter", self.plan.cells_alike),
            lambda: _items_scatter(self.plan, self.draws),
        )

    def _uniforms(self) -> Floats:
        return self.shared.once(
            lambda: ("uniforms", self.plan.cells_alike), lambda: _items_luck(self.plan, self.draws)
        )

    def _conditions(self) -> tuple[Ints, Floats]:
        """Each item's category, and its luck."""

        def made() -> tuple[Ints, Floats]:
            luck = self.shared.own(self._uniforms())
            return _conditions(self.plan, self.draws, self.believed.drawn, luck), luck

        return self.shared.once(lambda: self._of_conditions, made)

    def _begun(self) -> tuple[Ints, Floats, Begun]:
        """The same, and a draw of where everything is."""
        assert self.beginning is not None
        category, luck = (self.shared.own(array) for array in self._conditions())
        begun = _begun(self.plan, self.draws, self.beginning, self.believed, category, luck)
        return category, luck, begun


def _or_else(believed: Floats | None, plain: Callable[[], Floats]) -> Floats:
    """A table of the belief, in the order of memory that compiled code asks for, or the plan's."""
    return plain() if believed is None else np.ascontiguousarray(believed, dtype=float)


# --- a start in the middle of a project ----------------------------------------------------------


def _begun(
    plan: Plan,
    draws: _Draws,
    beginning: Beginning,
    believed: _Believed,
    category: Ints,
    luck: Floats,
) -> Begun:
    """A draw of where everything is when the simulation begins.

    Args:
        plan: of the project.
        draws: of the replication.
        beginning: what is on record.
        believed: what nobody knows.
        category: (I,) cell-major; what the record has otherwise is changed in place.
        luck: (I, columns) cell-major; what the record says of an item is no luck any more, and
            changed in place.
    """
    # No more of the estimates than it may read: then those who share these share the draw.
    values = np.full_like(believed.values, math.nan)
    values[plan.values_behind] = believed.values[plan.values_behind]
    begun = beginning.draw(
        plan.at_beginning, category.take(plan.order), values, draws.stream("beginning")
    )
    category[plan.order] = begun.category
    marked = ((drawing.SET_ASIDE, begun.set_aside), (drawing.NOT_IMAGED, begun.not_imaged))
    for column, marks in marked:
        # Below every share, or above.
        luck[plan.order[marks == 1], column] = -1.0
        luck[plan.order[marks == 0], column] = 1.0
    return begun


def _go_on(drawn: Items, begun: Begun) -> tuple[Items, Start, int]:
    """Items that have something behind them.

    A round has no memory: however many are behind an item that is still damp, as many are to come
    as drawn.

    Returns:
        The items, where they are, and the rounds of the one that has most.
    """
    luck = Fates(drawn.applies, drawn.set_aside, drawn.not_imaged, drawn.rejections)
    start, fates = begun.settled(luck)
    assert isinstance(start, Start)
    rounds = drawn.rounds + start.rounds
    settled = drawn._replace(
        applies=np.ascontiguousarray(fates.applies),
        set_aside=fates.set_aside,
        not_imaged=fates.not_imaged,
        rejections=fates.rejections,
        rounds=rounds,
    )
    return settled, start, int(rounds[settled.applies[:, Stage.DRYING]].max(initial=1))


def _chances(plan: Plan, believed: _Believed) -> Chances:
    """What shares come to that decide about items."""
    project = plan.project
    return Chances(
        set_aside=believed("outcomes.set_aside"),
        not_imaged=believed("outcomes.not_imaged"),
        checked=float(project.checking.share_checked),
        rejected=believed("checking.reject_share"),
        still_damp=believed("drying.still_damp"),
        reimaged=float(project.checking.reimaged_share),
        most_rounds=float(project.days),
    )


def _items(
    plan: Plan, chances: Chances, values: Floats, category: Ints, luck: Floats, normals: Floats
) -> tuple[Items, Floats, int]:
    """Items in the order of work, what their scatter is multiplied with, and most rounds."""
    items = len(plan.order)
    drawn = Items(
        mould=np.empty(items, dtype=np.int8),
        red_rot=np.empty(items, dtype=np.bool_),
        bound=np.empty(items, dtype=np.bool_),
        images=np.empty(items, dtype=np.int64),
        applies=np.empty((items, N_STAGES), dtype=np.bool_),
        base_seconds=np.zeros((items, N_STAGES)),
        again_seconds=np.empty(items),
        again_images=np.empty(items, dtype=np.int64),
        rejections=np.empty(items, dtype=np.int64),
        rounds=np.empty(items, dtype=np.int64),
        set_aside=np.empty(items, dtype=np.bool_),
        not_imaged=np.empty(items, dtype=np.bool_),
    )
    levels = np.empty((2, *plan.possible.shape))
    most_rounds = drawing.items(
        plan.tables, chances, values, category, luck, normals, drawn, *levels
    )
    return drawn, levels[0], most_rounds


def _items_luck(plan: Plan, draws: _Draws) -> Floats:
    """(I, columns) uniforms of each item, in cell-major order, from a stream for each cell."""
    luck = np.empty((len(plan.order), drawing.UNIFORMS))
    names = [("uniforms", cell.series, cell.material) for cell in plan.cells]
    cells = plan.cell_table
    drawing.fill_uniforms(draws.words(names, 3), cells, luck)
    return luck


def _items_scatter(plan: Plan, draws: _Draws) -> Floats:
    """(I, 7) normals of each item for each stage with practice, as the uniforms."""
    scatter = np.empty((len(plan.order), len(PRACTISED_STAGES)))
    for cell in plan.cells:
        mine = scatter[cell.first_item : cell.first_item + cell.items]
        draws.stream("normals", cell.series, cell.material).standard_normal(out=mine)
    return scatter
