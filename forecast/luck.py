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
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from functools import lru_cache
from hashlib import blake2b
from typing import Any

import numpy as np
from numpy.random.bit_generator import ISeedSequence
from numpy.typing import NDArray
from scipy.special import gammaincinv, ndtri

from forecast import working_time
from forecast.planning import UNLIMITED, Plan, Settings, WorkTable, plan
from forecast.stages import N_STAGES, PRACTISED_STAGES, Stage

__all__ = ["UNLIMITED", "Plan", "Replication", "Settings", "plan", "replication", "stream"]

_MOST_ROUNDS = 32  # of scatter drawn for one item; a later round repeats the last
_MOST_REJECTIONS = 10**6  # a share of 1 rejects for ever

# Words of a seed, the same on every machine.
_LITTLE_ENDIAN: dict[np.dtype[Any], np.dtype[Any]] = {
    np.dtype(np.uint32): np.dtype("<u4"),
    np.dtype(np.uint64): np.dtype("<u8"),
}

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Words = NDArray[np.uint64]


class _Column(IntEnum):
    """What an item's uniforms are for; its normals have a column for each stage with practice.

    Items are drawn one after the other, each in all columns whatever the project needs of them,
    so that no item's luck depends on how many follow it, nor on a stage that is off. Another
    purpose is appended; it gives every item other numbers, as another order would.
    """

    LOOKED_AT = 0
    CONDITION = 1
    SET_ASIDE = 2
    NOT_IMAGED = 3
    CHECKED = 4
    REJECTED = 5
    STILL_DAMP = 6
    DRYING = 7  # names the item's rounds


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


def stream(seed: int, index: int, *names: str) -> np.random.Generator:
    """The random numbers of one name in one replication.

    Doty-Humphrey's SFC64, seeded with the BLAKE2b hash (RFC 7693) of seed, replication and name:
    no stream depends on which others were asked for, and no two are related.
    """
    return _Draws(seed, index).stream(*names)


def _uniforms(words: Words) -> Floats:
    """Uniforms in the middle of 2**52 equal steps, so that none is 0 or 1."""
    return np.asarray(((words >> np.uint64(12)) + 0.5) * 2.0**-52)


def _normals(words: Words) -> Floats:
    """Standard normals, by inversion."""
    uniforms: Any = _uniforms(words)  # the stubs of scipy know no float64 here
    return np.asarray(ndtri(uniforms))


def _words_at(place: Words, keys: Words) -> Words:
    """The words at some places of the streams that keys name, without those before them.

    SplitMix64 (Steele, Lea and Flood 2014), whose n-th word follows from n: so a date's luck hangs
    on the date and not on how far it is from the grant's start, and nothing is drawn in vain.
    """
    words: Words = keys + (place + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    words ^= words >> np.uint64(30)
    words *= np.uint64(0xBF58476D1CE4E5B9)
    words ^= words >> np.uint64(27)
    words *= np.uint64(0x94D049BB133111EB)
    words ^= words >> np.uint64(31)
    return words


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


@dataclass(frozen=True)
class _Believed:
    """One draw of all that nobody knows."""

    plan: Plan
    values: Floats

    def __call__(self, *name: str) -> float:
        return float(self.values[self.plan.estimates.number[name]])

    def averages(self, table: WorkTable) -> Floats:
        """(C, 9) minutes (days at drying)."""
        return np.asarray(self.values[table.row])


def _believed(plan: Plan, draws: _Draws) -> _Believed:
    """A row's draw hangs on the row's name."""
    names = [("estimate", *name) for name in plan.estimates.names]
    return _Believed(plan, plan.estimates.quantiles.at(_uniforms(draws.words(names)[:, 0])))


def _conditions(plan: Plan, draws: _Draws, luck: Floats) -> Ints:
    """Each item's category, in cell-major order as its luck.

    Looked-at items are known: in a cell they are those whose own number is smallest. The rest get
    their category from the cell's shares by their own luck.
    """
    shares = _shares(plan, draws)
    # Copies, each contiguous; an item that is known is nobody's smallest any more.
    looked_at, unseen = luck[:, _Column.LOOKED_AT].copy(), luck[:, _Column.CONDITION].copy()
    category = np.empty(len(luck), dtype=np.int64)
    for cell, own_shares in zip(plan.cells, shares, strict=True):
        mine = slice(cell.first_item, cell.first_item + cell.items)
        own, number = category[mine], looked_at[mine]
        if cell.complete:
            own[:], number[:] = cell.seen, math.inf
            continue
        own[:] = own_shares.searchsorted(unseen[mine], side="right")
        if len(cell.seen):
            first = _smallest(number, len(cell.seen))
            own[first], number[first] = cell.seen, math.inf
    for loose, items in zip(plan.loose, plan.loose_items, strict=True):
        category[items[_smallest(looked_at[items], len(loose.seen))]] = loose.seen
    category += plan.first_category
    return category


def _shares(plan: Plan, draws: _Draws) -> Floats:
    """(cells, categories) drawn shares of the conditions, added up: a Dirichlet from gammas."""
    names = [("mix", *cell.mix_name) for cell in plan.cells]
    luck = _uniforms(draws.words(names, plan.alpha.shape[1]))
    gammas = np.where(plan.alpha > 0.0, gammaincinv(plan.alpha, luck), 0.0)
    shares = gammas.cumsum(axis=1)
    return np.asarray(shares / shares[:, -1:])


def _smallest(numbers: Floats, count: int) -> Ints:
    """Places of the smallest numbers, in their order."""
    if count < len(numbers):
        among = numbers.argpartition(count)[:count]
        return among[numbers[among].argsort(kind="stable")]
    return numbers.argsort(kind="stable")


def _images(plan: Plan, believed: _Believed) -> Ints:
    """Images of each item: whole numbers that add up to the average."""
    average = believed.values.take(plan.images_of_cell).take(plan.cell_of_item)
    before = (plan.within_cell * average + 0.5).astype(np.int64)
    return np.asarray(((plan.within_cell + 1.0) * average + 0.5).astype(np.int64) - before)


def _times_in_a_row(luck: Floats, share: float, most: int) -> Ints:
    """How often something with this share happens in a row: the number of k with u < share^k."""
    times = np.zeros(len(luck), dtype=np.int64)
    if share >= 1.0:
        times[:] = most
    elif share > 0.0:
        at = np.flatnonzero(luck < share)
        own = np.maximum(luck[at], 2.0**-54)  # a uniform may be 0
        times[at] = np.clip(np.ceil(np.log(own) / math.log(share)) - 1.0, 1, most)
    return times


def _applies(plan: Plan, item: Floats, image: Floats, category: Ints, images: Ints) -> Flags:
    """Which stages apply to which item (R11), before anything ends otherwise."""
    without = item > 0.0
    without[:, Stage.QUARANTINE] = True  # nobody's minutes
    both = np.concatenate([without, without | (image > 0.0)])
    both &= np.concatenate([plan.possible, plan.possible])
    return both.take(category + len(without) * (images > 0), axis=0)


def _level(average: Floats, sigma: Floats) -> Floats:
    """What exp(sigma z) is multiplied with, so that scatter has mean 1."""
    return np.asarray(average * np.exp(sigma * sigma / -2.0))


def _seconds(
    plan: Plan,
    item: Floats,
    image: Floats,
    category: Ints,
    z: Floats,
    images: Ints,
    again_images: Ints,
) -> tuple[Floats, Floats]:
    """Seconds of each item at each stage, and of imaging it again; one z serves both averages."""
    practised = list(PRACTISED_STAGES)
    minutes = plan.per_item.sigma[:, practised].take(category, axis=0)
    minutes *= z
    np.exp(minutes, out=minutes)
    minutes *= _level(item, plan.per_item.sigma)[:, practised].take(category, axis=0)
    again = minutes[:, practised.index(Stage.IMAGING)].copy()
    for stage in plan.stages_with_images:
        column = practised.index(stage)
        sigma = plan.per_image.sigma[:, stage]
        scatter = np.exp(sigma.take(category) * z[:, column])
        scatter *= _level(image[:, stage], sigma).take(category)
        minutes[:, column] += images * scatter
        if stage is Stage.IMAGING:
            again += again_images * scatter
    seconds = np.zeros((len(category), N_STAGES))
    for column, stage in enumerate(practised):
        np.multiply(minutes[:, column], 60.0, out=seconds[:, stage])
    again *= 60.0
    return seconds, again


def _round_days(
    plan: Plan, average: Floats, category: Ints, luck: Floats, rounds: Ints, dries: Flags
) -> Floats:
    """Days of each round before the month's factor, (I, K); 0 where nothing is dried."""
    at = np.flatnonzero(dries)
    most = min(_MOST_ROUNDS, int(rounds[at].max(initial=1)))
    sigma = plan.per_item.sigma[:, Stage.DRYING]
    level, sigma = _level(average, sigma)[category[at]], sigma[category[at]]
    keys = (luck[at] * 2.0**53).astype(np.uint64)
    z = _normals(_words_at(np.arange(most, dtype=np.uint64), keys[:, None]))
    days = np.zeros((len(category), most))
    days[at] = level[:, None] * np.exp(sigma[:, None] * z)
    return days


def _shifts(plan: Plan, draws: _Draws, believed: _Believed, share: Floats) -> tuple[Ints, Ints]:
    """Shifts after absence and the delivered share."""
    time = plan.project.time
    chance = working_time.absence_probability(
        believed("time.absence_days_a_year"), time.absence_spell_days, plan.absence_days
    )
    hours = plan.rota.hours
    absent = np.zeros(hours.size + 1, dtype=bool)  # with a place for a day of nobody
    if chance > 0.0:
        keys = draws.words([("absence", person) for person in plan.project.persons])
        begins, length = _spells(plan, keys[:, 0], chance)
        absent[plan.rostered] = working_time.absences(
            np.ones(len(begins), dtype=bool), begins, length, chance, time.absence_spell_days
        )
    return working_time.shifts(plan.rota, absent[:-1].reshape(hours.shape), share)


def _spells(plan: Plan, keys: Words, chance: float) -> tuple[Floats, Floats]:
    """(M,) two uniforms for each rostered person and date, the second where it is needed.

    On a day of nobody no spell begins.
    """
    person, place = plan.rostered_person, plan.rostered_place
    keys = np.append(keys, np.uint64(0)).take(person)
    begins = _uniforms(_words_at(place, keys))
    begins[person == len(plan.project.persons)] = 1.0
    length = np.zeros(len(begins))
    at = np.flatnonzero(begins < chance)
    length[at] = _uniforms(_words_at(place[at] + np.uint64(1), keys[at]))
    return begins, length


def _week_factors(plan: Plan, draws: _Draws, sigma: float) -> Floats:
    """(9, W) good and bad weeks at each stage: lognormal with mean 1, keyed by stage and Monday."""
    keys = draws.words([("week", stage.name) for stage in PRACTISED_STAGES])
    z = _normals(_words_at(plan.week_place, keys))
    factors = np.ones((N_STAGES, len(plan.week_place)))
    factors[list(PRACTISED_STAGES)] = np.exp(sigma * z - sigma * sigma / 2.0)
    return factors


def _practice(plan: Plan, doubling: float) -> Floats:
    """The factor (1 + N/N0)^-b after N first passes, where 2^-b is the factor a doubling."""
    table = np.ones((N_STAGES, len(plan.doublings)))
    table[list(PRACTISED_STAGES)] = np.exp(math.log(max(1e-6, doubling)) * plan.doublings)
    return table


def replication(plan: Plan, seed: int, index: int) -> Replication:
    """Draw one future.

    Args:
        plan: what all futures of the project share.
        seed: the forecast's seed, 0 or more.
        index: the replication's number; the same number meets the same luck under every plan.
    """
    draws = _Draws(seed, index)
    believed = _believed(plan, draws)
    project, order = plan.project, plan.order
    item, image = believed.averages(plan.per_item), believed.averages(plan.per_image)
    cell_major = _items_luck(plan, draws)
    category = _conditions(plan, draws, cell_major).take(order)
    luck = cell_major.take(order, axis=0)
    z = _items_scatter(plan, draws).take(order, axis=0)
    images = _images(plan, believed)
    again_images = np.ceil(project.checking.reimaged_share * images - 1e-9).astype(np.int64)

    set_aside = luck[:, _Column.SET_ASIDE] < believed("outcomes.set_aside")
    not_imaged = ~set_aside & (luck[:, _Column.NOT_IMAGED] < believed("outcomes.not_imaged"))
    applies = _applies(plan, item, image, category, images)
    applies[:, Stage.IMAGING] &= ~not_imaged
    applies[:, Stage.CHECKING] &= ~not_imaged & (
        luck[:, _Column.CHECKED] < project.checking.share_checked
    )
    rejections = _times_in_a_row(
        luck[:, _Column.REJECTED], believed("checking.reject_share"), _MOST_REJECTIONS
    )
    rejections[~applies[:, Stage.IMAGING]] = 0  # nothing that could be made again
    rounds = 1 + _times_in_a_row(
        luck[:, _Column.STILL_DAMP], believed("drying.still_damp"), project.days
    )
    base, again = _seconds(plan, item, image, category, z, images, again_images)
    share = np.full(project.days, believed("time.delivered_share"))
    shift_begin, shift_end = _shifts(plan, draws, believed, share)
    return Replication(
        settings=plan.settings,
        arrival=plan.arrival,
        mould=plan.mould.take(category),
        red_rot=plan.red_rot.take(category),
        bound=plan.bound.take(category),
        images=images,
        applies=applies,
        base_seconds=base,
        again_seconds=again,
        again_images=again_images,
        rejections=rejections,
        rounds=rounds,
        round_days=_round_days(
            plan,
            item[:, Stage.DRYING],
            category,
            luck[:, _Column.DRYING],
            rounds,
            applies[:, Stage.DRYING],
        ),
        set_aside=set_aside,
        not_imaged=not_imaged,
        practice=_practice(plan, believed("time.practice")),
        finished_before=plan.finished_before,
        week_factor=_week_factors(plan, draws, believed("time.week_spread")),
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
    )


def _items_luck(plan: Plan, draws: _Draws) -> Floats:
    """(I, columns) uniforms of each item, in cell-major order, from a stream for each cell."""
    luck = np.empty((len(plan.order), len(_Column)))
    for cell in plan.cells:
        mine = luck[cell.first_item : cell.first_item + cell.items]
        draws.stream("uniforms", cell.series, cell.material).random(out=mine)
    return luck


def _items_scatter(plan: Plan, draws: _Draws) -> Floats:
    """(I, 7) normals of each item for each stage with practice, as the uniforms."""
    scatter = np.empty((len(plan.order), len(PRACTISED_STAGES)))
    for cell in plan.cells:
        mine = scatter[cell.first_item : cell.first_item + cell.items]
        draws.stream("normals", cell.series, cell.material).standard_normal(out=mine)
    return scatter
