"""The inner loops of drawing luck, compiled: from random numbers to items, absences and shifts.

Nothing in this file is random: all uniforms and normals come from outside, or follow from keys.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from forecast.compiled import entry, part
from forecast.stages import PRACTISED_STAGES, Stage
from forecast.units import SECONDS_PER_DAY, SECONDS_PER_HOUR
from forecast.working_time import Rota, check_spell

__all__ = [
    "CHECKED",
    "CONDITION",
    "DRYING",
    "LOOKED_AT",
    "MOST_REJECTIONS",
    "NOT_IMAGED",
    "REJECTED",
    "SET_ASIDE",
    "STILL_DAMP",
    "UNIFORMS",
    "Chances",
    "Items",
    "Tables",
    "absences",
    "conditions",
    "fill_dates",
    "fill_uniforms",
    "items",
    "shifts",
    "uniforms",
    "words_at",
]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Words = NDArray[np.uint64]

# What an item's uniforms are for; its normals have a column for each stage with practice.
#
# Items are drawn one after the other, each in all columns whatever the project needs of them,
# so that no item's luck depends on how many follow it, nor on a stage that is off. Another
# purpose is appended; it gives every item other numbers, as another order would.
LOOKED_AT, CONDITION, SET_ASIDE, NOT_IMAGED, CHECKED, REJECTED, STILL_DAMP, DRYING = range(8)
UNIFORMS = 8  # the last, DRYING, names the item's rounds

MOST_REJECTIONS = 1e6  # a share of 1 rejects for ever

# Plain integers: a compiler knows them better than members of an enumeration.
_QUARANTINE, _DRYING = int(Stage.QUARANTINE), int(Stage.DRYING)
_IMAGING, _CHECKING = int(Stage.IMAGING), int(Stage.CHECKING)
_PRACTISED = np.array(PRACTISED_STAGES, dtype=np.int64)


# --- random words --------------------------------------------------------------------------------


def words_at(place: Any, key: Any) -> Any:
    """The words at some places of the streams that keys name, without those before them.

    SplitMix64 (Steele, Lea and Flood 2014), whose n-th word follows from n: so a date's luck hangs
    on the date and not on how far it is from the grant's start, and nothing is drawn in vain.

    Args:
        place: uint64, one or an array.
        key: likewise.
    """
    word = key + (place + np.uint64(1)) * np.uint64(0x9E3779B97F4A7C15)
    word = (word ^ (word >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    word = (word ^ (word >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return word ^ (word >> np.uint64(31))


def uniforms(word: Any) -> Any:
    """Uniforms in the middle of 2**52 equal steps, so that none is 0 or 1."""
    return ((word >> np.uint64(12)) + 0.5) * 2.0**-52


_word_at = part(words_at)
_uniform = part(uniforms)


@entry
def fill_uniforms(seeds: Words, cells: Ints, luck: Floats) -> None:
    """Uniforms of items, in the order of cells.

    The numbers of Doty-Humphrey's SFC64, as :func:`forecast.luck.stream` gives them: a stream
    for each cell, without an object of Python for each.

    Args:
        seeds: (cells, 3) the words that a stream is seeded with.
        cells: (cells, 2 or more) first item, and items.
        luck: (I, columns) to be filled, in [0, 1).
    """
    for cell in range(len(cells)):
        first, count = cells[cell, 0], cells[cell, 1]
        a, b, c = seeds[cell, 0], seeds[cell, 1], seeds[cell, 2]
        counter = np.uint64(1)
        columns = luck.shape[1]
        for n in range(-12, count * columns):  # the first twelve words only mix the seed
            word = a + b + counter
            counter += np.uint64(1)
            a = b ^ (b >> np.uint64(11))
            b = c + (c << np.uint64(3))
            c = ((c << np.uint64(24)) | (c >> np.uint64(40))) + word
            if n >= 0:
                item = first + n // columns
                luck[item, n % columns] = (word >> np.uint64(11)) * 2.0**-53


# --- items ---------------------------------------------------------------------------------------


class Tables(NamedTuple):
    """What drawing items needs of a plan. I items, C categories, N estimates.

    Attributes:
        order, cell_of_item, within_cell: (I,) as in :class:`forecast.planning.Plan`, likewise
            mould, red_rot, bound, possible.
        images_of_cell: (cells,) number of the estimate of images an item.
        item_row, image_row: (C, 9) number of the average among the estimates.
        item_sigma, image_sigma: (C, 9) of the scatter.
    """

    order: Ints
    cell_of_item: Ints
    within_cell: Floats
    images_of_cell: Ints
    mould: NDArray[np.int8]
    red_rot: Flags
    bound: Flags
    possible: Flags
    item_row: Ints
    item_sigma: Floats
    image_row: Ints
    image_sigma: Floats


class Chances(NamedTuple):
    """Shares of one future that decide about items."""

    set_aside: float
    not_imaged: float
    checked: float
    rejected: float
    still_damp: float
    reimaged: float
    most_rounds: float


class Items(NamedTuple):
    """Items drawn: the fields of these names in :class:`forecast.luck.Replication`."""

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
    set_aside: Flags
    not_imaged: Flags


@entry
def conditions(
    cells: Ints,
    seen: NDArray[np.int8],
    shares: Floats,
    luck: Floats,
    values: Floats,
    places: Ints,
    category: Ints,
) -> None:
    """Each item's category, cell-major as its luck.

    Looked-at items are known: in a cell they are those whose own number is smallest. The rest get
    their category from the cell's shares by their own luck.

    Args:
        cells: (cells, 6) first item, items, first category, first and number of what was seen,
            and whether that is all.
        seen: categories of looked-at items, counted from their cell's first.
        shares: (cells, categories) shares of the conditions, added up.
        luck: (I, columns); an item that is known gets an infinite LOOKED_AT, and is nobody's
            smallest any more.
        values: room for as many numbers as the longest list of what was seen.
        places: likewise.
        category: (I,) to be filled.
    """
    for cell in range(len(cells)):
        first, count, first_category = cells[cell, 0], cells[cell, 1], cells[cell, 2]
        first_seen, known, complete = cells[cell, 3], cells[cell, 4], cells[cell, 5]
        if complete != 0:
            for n in range(count):
                category[first + n] = first_category + seen[first_seen + n]
                luck[first + n, LOOKED_AT] = math.inf
            continue
        for item in range(first, first + count):
            own = 0
            while shares[cell, own] <= luck[item, CONDITION]:
                own += 1
            category[item] = first_category + own
        _smallest(luck, first, count, values, places, known)
        for n in range(known):
            category[places[n]] = first_category + seen[first_seen + n]
            luck[places[n], LOOKED_AT] = math.inf


@part
def _smallest(
    luck: Floats, first: int, count: int, values: Floats, places: Ints, wanted: int
) -> None:
    """Places of the items whose LOOKED_AT is smallest, in its order.

    A heap with the largest on top: an item that is larger than all in it costs one look.
    """
    if wanted == 0:
        return
    for n in range(wanted):
        values[n], places[n] = luck[first + n, LOOKED_AT], first + n
    for n in range(wanted // 2 - 1, -1, -1):
        _sink(values, places, n, wanted)
    for item in range(first + wanted, first + count):
        if luck[item, LOOKED_AT] < values[0]:
            values[0], places[0] = luck[item, LOOKED_AT], item
            _sink(values, places, 0, wanted)
    for size in range(wanted - 1, 0, -1):
        value, place = values[0], places[0]
        values[0], places[0] = values[size], places[size]
        values[size], places[size] = value, place
        _sink(values, places, 0, size)


@part
def _sink(values: Floats, places: Ints, at: int, size: int) -> None:
    """What stands at a place of the heap goes down to where it belongs."""
    value, place = values[at], places[at]
    while True:
        child = 2 * at + 1
        if child >= size:
            break
        if child + 1 < size and values[child + 1] > values[child]:
            child += 1
        if values[child] <= value:
            break
        values[at], places[at] = values[child], places[child]
        at = child
    values[at], places[at] = value, place


@entry
def items(
    tables: Tables,
    chances: Chances,
    believed: Floats,
    category: Ints,
    luck: Floats,
    normals: Floats,
    drawn: Items,
    item_level: Floats,
    image_level: Floats,
) -> int:
    """Draw items in the order of work.

    Args:
        tables: of the plan.
        chances: what shares come to in this future.
        believed: (N,) what estimates come to.
        category: (I,) cell-major.
        luck: (I, columns) likewise.
        normals: (I, 7) likewise.
        drawn: to be filled; base_seconds with zeros before.
        item_level: (C, 9) to be filled: what scatter is multiplied with.
        image_level: (C, 9) likewise.

    Returns:
        The largest number of rounds of an item that dries, at least 1.
    """
    _levels(believed, tables.item_row, tables.item_sigma, item_level)
    _levels(believed, tables.image_row, tables.image_sigma, image_level)
    most_rounds = 1
    for n in range(len(tables.order)):
        place = tables.order[n]
        own = category[place]
        drawn.mould[n] = tables.mould[own]
        drawn.red_rot[n] = tables.red_rot[own]
        drawn.bound[n] = tables.bound[own]
        average = believed[tables.images_of_cell[tables.cell_of_item[n]]]
        # Whole numbers that add up to the average.
        before = int(tables.within_cell[n] * average + 0.5)
        images = int((tables.within_cell[n] + 1.0) * average + 0.5) - before
        again_images = math.ceil(chances.reimaged * images - 1e-9)
        drawn.images[n], drawn.again_images[n] = images, again_images
        drawn.set_aside[n] = luck[place, SET_ASIDE] < chances.set_aside
        drawn.not_imaged[n] = (
            not drawn.set_aside[n] and luck[place, NOT_IMAGED] < chances.not_imaged
        )
        _apply(tables, chances, luck[place], own, item_level, image_level, drawn, n)
        rejections = _times_in_a_row(luck[place, REJECTED], chances.rejected, MOST_REJECTIONS)
        # Without imaging there is nothing that could be made again.
        drawn.rejections[n] = rejections if drawn.applies[n, _IMAGING] else 0
        again = _times_in_a_row(luck[place, STILL_DAMP], chances.still_damp, chances.most_rounds)
        rounds = 1 + again
        drawn.rounds[n] = rounds
        if drawn.applies[n, _DRYING]:
            most_rounds = max(most_rounds, rounds)
        _work(tables, own, normals[place], item_level, image_level, drawn, n)
    return most_rounds


@part
def _levels(believed: Floats, row: Ints, sigma: Floats, level: Floats) -> None:
    """What exp(sigma z) is multiplied with, so that scatter has mean 1."""
    for own in range(len(row)):
        for stage in range(row.shape[1]):
            average = believed[row[own, stage]]
            level[own, stage] = average * math.exp(sigma[own, stage] * sigma[own, stage] / -2.0)


@part
def _times_in_a_row(luck: float, share: float, most: float) -> int:
    """How often something with this share happens in a row: the number of k with u < share^k."""
    if luck >= share:
        return 0
    if share >= 1.0:
        return int(most)
    own = max(luck, 2.0**-54)  # a uniform may be 0
    return int(min(max(math.ceil(math.log(own) / math.log(share)) - 1.0, 1.0), most))


@part
def _apply(
    tables: Tables,
    chances: Chances,
    luck: Floats,
    own: int,
    item_level: Floats,
    image_level: Floats,
    drawn: Items,
    n: int,
) -> None:
    """Which stages apply to the item (R11)."""
    imaged = not drawn.not_imaged[n]
    for stage in range(item_level.shape[1]):
        works = item_level[own, stage] > 0.0 or (
            drawn.images[n] > 0 and image_level[own, stage] > 0.0
        )
        # Quarantine is nobody's minutes.
        drawn.applies[n, stage] = tables.possible[own, stage] and (works or stage == _QUARANTINE)
    drawn.applies[n, _IMAGING] &= imaged
    drawn.applies[n, _CHECKING] &= imaged and luck[CHECKED] < chances.checked


@part
def _work(
    tables: Tables,
    own: int,
    normals: Floats,
    item_level: Floats,
    image_level: Floats,
    drawn: Items,
    n: int,
) -> None:
    """Seconds of the item at each stage, and of imaging it again; one z serves both averages."""
    drawn.again_seconds[n] = 0.0
    for column in range(len(_PRACTISED)):
        stage = _PRACTISED[column]
        z = normals[column]
        minutes = _scattered(item_level[own, stage], tables.item_sigma[own, stage], z)
        image = _scattered(image_level[own, stage], tables.image_sigma[own, stage], z)
        if stage == _IMAGING:
            drawn.again_seconds[n] = (minutes + drawn.again_images[n] * image) * 60.0
        drawn.base_seconds[n, stage] = (minutes + drawn.images[n] * image) * 60.0


@part
def _scattered(level: float, sigma: float, z: float) -> float:
    """An average with an item's own scatter. Few stages have minutes both an item and an image."""
    return math.exp(sigma * z) * level if level > 0.0 else 0.0


# --- absences and shifts -------------------------------------------------------------------------


@entry
def fill_dates(keys: Words, first_place: int, luck: Floats) -> None:
    """Two uniforms for each person and date.

    Args:
        keys: (P,) of each person's stream (:func:`words_at`).
        first_place: place in it of the first date's first.
        luck: (2, P, D) to be filled.
    """
    for person in range(luck.shape[1]):
        for day in range(luck.shape[2]):
            for which in range(2):
                place = np.uint64(first_place + 2 * day + which)
                luck[which, person, day] = _uniform(_word_at(place, keys[person]))


def absences(
    working: Flags,
    begins_uniform: Floats,
    length_uniform: Floats,
    probability: float,
    spell_days: float,
) -> Flags:
    """On which days each person is absent.

    On each of a person's own working days that is not already absence, a spell begins if that
    date's first uniform is below ``probability``. It lasts a geometric number of the person's
    own working days, which that date's second uniform gives by inversion. Luck hangs on dates, so
    a day more or less in the rota leaves every other date's luck as it was. Nobody is absent from
    before the first day.

    Args:
        working: (P, D), or (D,) for one person, whether it is the person's own working day.
        begins_uniform: uniforms in [0, 1), one a person and date.
        length_uniform: more of them, independent of the first.
        probability: see :func:`forecast.working_time.absence_probability`.
        spell_days: average length of a spell in working days, at least 1.

    Returns:
        Absent or not, shaped as ``working``; only ever on working days.

    Raises:
        ValueError: spells shorter than a day, or arrays of different lengths.
    """
    check_spell(spell_days)
    if not working.shape == begins_uniform.shape == length_uniform.shape:
        raise ValueError("absence needs the working day and both uniforms of every date")
    absent = np.zeros(working.shape, dtype=np.bool_)
    _mark_absences(
        np.atleast_2d(working),
        np.atleast_2d(begins_uniform),
        np.atleast_2d(length_uniform),
        np.atleast_2d(absent),
        probability,
        math.log1p(-1.0 / spell_days) if spell_days > 1.0 else 0.0,
    )
    return absent


@entry
def _mark_absences(
    working: Flags,
    begins_uniform: Floats,
    length_uniform: Floats,
    absent: Flags,
    probability: float,
    log_of_going_on: float,
) -> None:
    for person in range(len(working)):
        left = 0.0
        for day in range(working.shape[1]):
            if not working[person, day]:
                continue
            if left < 1.0 and begins_uniform[person, day] < probability:
                left = _spell_length(length_uniform[person, day], log_of_going_on)
            if left >= 1.0:
                absent[person, day] = True
                left -= 1.0


@part
def _spell_length(uniform: float, log_of_going_on: float) -> float:
    """A geometric length 1, 2, ... by inversion.

    P(length > k) = (1 - 1/L)^k, so it is the least k with 1 - (1 - 1/L)^k >= u.
    """
    if log_of_going_on == 0.0:  # a day each
        return 1.0
    return max(1.0, math.ceil(math.log1p(-uniform) / log_of_going_on))


def shifts(rota: Rota, absent: Flags, delivered_share: Floats) -> tuple[Ints, Ints]:
    """When each shift begins and ends.

    A shift runs from the row's ``begins`` for (hours x 3,600) x that day's delivered share, in
    whole seconds, half up, and ends on its own day.

    Args:
        rota: the rostered hours, (P, D).
        absent: (P, D) whether the person is absent.
        delivered_share: (D,) share of rostered hours that reaches the stages, 0 to 1.

    Returns:
        Begin and end, (P, D), in seconds since 00:00 of day 0. Without a shift (nobody
        rostered, absence, or less than half a second) both are 0.

    Raises:
        ValueError: the shapes do not belong together.
    """
    persons_and_days = rota.hours.shape
    if absent.shape != persons_and_days or delivered_share.shape != persons_and_days[1:]:
        raise ValueError(
            f"shifts of {persons_and_days} need absence of that shape and a share a day, not "
            f"{absent.shape} and {delivered_share.shape}"
        )
    begin = np.zeros(persons_and_days, dtype=np.int64)
    end = np.zeros(persons_and_days, dtype=np.int64)
    _lay_shifts(rota.hours, rota.begins, absent, delivered_share, begin, end)
    return begin, end


@entry
def _lay_shifts(
    hours: Floats, begins: Ints, absent: Flags, delivered_share: Floats, begin: Ints, end: Ints
) -> None:
    for person in range(len(hours)):
        for day in range(hours.shape[1]):
            if absent[person, day]:
                continue
            since = begins[person, day]
            exact = hours[person, day] * SECONDS_PER_HOUR * delivered_share[day]
            # Half up, as units.half_up; a shift ends on its own day.
            until = min(since + math.floor(exact + 0.5), SECONDS_PER_DAY)
            if until > since:
                begin[person, day] = day * SECONDS_PER_DAY + since
                end[person, day] = day * SECONDS_PER_DAY + until
