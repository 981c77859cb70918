"""The simulation on degenerate projects whose answers are known elsewhere.

Luck is handed in as arrays: arrivals at any second, service as an item's own seconds, and one
shift without an end. Both models run every case and must write the same record. Small cases are
compared in full. Where the answer is an expectation, the simulation is run on a few thousand items,
and the textbook's own recursion (Lindley; Kiefer and Wolfowitz) serves as a control variate: the
same items go through both, and many more through the recursion alone. The estimate is unbiased
whatever the simulation does, and its interval holds the errors of both. Each interval covers 99.9 %
at a fixed seed and is narrower than 2 % to either side.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import permutations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve
from scipy.stats import norm

from forecast import luck
from forecast.estimates import Estimate
from forecast.events import What
from forecast.items import Mould
from forecast.luck import Replication
from forecast.project import Checking, Drying, Places, WorkingTime
from forecast.stages import STAGE_NAMES, Stage
from tests.both import record
from tests.small_projects import Lot, per_image, per_item, person, share, small_project

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

UNIT = 100_000  # seconds in a textbook's unit of time: rounding to seconds is then negligible
SURE = float(norm.ppf(0.9995))  # 99.9 % to both sides


def future(
    arrival: Ints, seconds: dict[Stage, Ints], people: Sequence[tuple[Stage, ...]]
) -> Replication:
    """Clean items with these arrivals and seconds, people who are always there, and no more."""
    names = [";".join(STAGE_NAMES[stage] for stage in stages) for stages in people]
    project = small_project(
        [Lot(len(arrival))],
        [per_item(STAGE_NAMES[stage], 1.0) for stage in seconds],
        [person(f"P{number:02d}", stages) for number, stages in enumerate(names)],
        places=Places(0, 0, len(people), len(people)),
    )
    drawn = luck.replication(luck.plan(project), 1, 0)
    base = drawn.base_seconds.copy()
    applies = drawn.applies.copy()
    for stage, own in seconds.items():
        base[:, stage] = own
        applies[:, stage] = own > 0
    never_ends = np.zeros_like(drawn.shift_end)
    never_ends[:, 0] = 2**50
    return replace(
        drawn,
        arrival=np.asarray(arrival, dtype=np.int64),
        base_seconds=base,
        applies=applies,
        shift_begin=np.zeros_like(drawn.shift_begin),
        shift_end=never_ends,
    )


def moments(events: Ints, what: What, stage: Stage, items: int) -> Ints:
    """When this happened to each item at the stage; -1: it did not."""
    found = np.full(items, -1, dtype=np.int64)
    rows = events[(events[:, 1] == what) & (events[:, 2] == stage)]
    found[rows[:, 3]] = rows[:, 0]
    return found


def delays(arrival: Ints, service: Ints, servers: int) -> Ints:
    """Seconds between arrival and being taken up, in the simulation, at one stage."""
    stage = Stage.REBOXING
    events = record(future(arrival, {stage: service}, [(stage,)] * servers))
    return moments(events, What.TAKEN, stage, len(arrival)) - arrival


def waits_by_recursion(arrival: Ints, service: Ints, servers: int) -> Ints:
    """Waits by the recursion of Lindley (one server) and of Kiefer and Wolfowitz (several).

    Both arrays are (customers, paths); first come, first served, each path from empty.
    """
    free_at = np.zeros((servers, arrival.shape[1]), dtype=np.int64)
    waits = np.empty_like(arrival)
    for number, (comes, lasts) in enumerate(zip(arrival, service, strict=True)):
        begins = np.maximum(comes, free_at[0])
        waits[number] = begins - comes
        free_at[0] = begins + lasts
        if servers > 1:
            free_at.sort(axis=0)
    return waits


@dataclass(frozen=True)
class Measured:
    """An estimate, and the half-width of its interval."""

    value: float
    half_width: float

    def agrees_with(self, expected: float) -> bool:
        """Whether the interval is narrow enough to fail, and holds the expected value."""
        assert self.half_width < 0.02 * expected, f"{self} is too wide for {expected}"
        return abs(self.value - expected) < self.half_width


def with_control(own: Floats, control: Floats, many: Floats) -> Measured:
    """The mean of the simulation's paths, corrected by a control variate of estimated mean.

    ``own`` and ``control`` are of the same paths, ``many`` of paths of the recursion alone.
    """
    difference = own - control
    variance = difference.var(ddof=1) / len(own) + many.var(ddof=1) / len(many)
    return Measured(float(difference.mean() + many.mean()), SURE * math.sqrt(variance))


def paths(
    rng: np.random.Generator, gap: float, service: float, sd: float | None, shape: tuple[int, int]
) -> tuple[Ints, Ints]:
    """Poisson arrivals and service times (exponential, or lognormal where ``sd`` is given)."""
    arrival = np.cumsum(rng.exponential(gap * UNIT, shape), axis=0)
    if sd is None:
        lasts = rng.exponential(service * UNIT, shape)
    else:
        sigma = math.sqrt(math.log1p((sd / service) ** 2))
        lasts = rng.lognormal(math.log(service * UNIT) - sigma**2 / 2, sigma, shape)
    return np.rint(arrival).astype(np.int64), np.maximum(1, np.rint(lasts)).astype(np.int64)


def end_to_end(arrival: Ints, service: Ints) -> Ints:
    """One long path out of many: each begins when the one before it has long been over."""
    length = int(arrival[-1].max() + service.sum(axis=0).max() + 1)
    return arrival + length * np.arange(arrival.shape[1])


def queue(
    seed: int,
    servers: int,
    gap: float,
    service: float,
    sd: float | None = None,
    walked: tuple[int, int] = (100, 100),
    many: tuple[int, int] = (1000, 7000),
    warm_up: int = 500,
) -> Measured:
    """Mean wait at one stage. The shapes are (customers, paths); the control runs by thousands."""
    rng = np.random.default_rng(seed)
    arrival, lasts = paths(rng, gap, service, sd, walked)
    in_a_row = end_to_end(arrival, lasts).T.ravel()
    own = delays(in_a_row, lasts.T.ravel(), servers).reshape(walked[::-1]).T
    control = waits_by_recursion(arrival, lasts, servers)
    assert np.array_equal(own, control), "the simulation and the recursion differ on a path"
    customers, total = many
    more = [
        waits_by_recursion(*paths(rng, gap, service, sd, (customers, 1000)), servers)[warm_up:]
        for _ in range(total // 1000)
    ]
    return with_control(
        own.mean(axis=0) / UNIT,
        control.mean(axis=0) / UNIT,
        np.concatenate([waits.mean(axis=0) for waits in more]) / UNIT,
    )


# Small cases, worked out in full


def test_johnsons_flow_shop_has_its_best_and_worst_orders() -> None:
    # Johnson 1954, two machines and five jobs, from memory; every order is tried. The expected ends
    # come from the schedule's own definition: a job begins when it and the machine are ready.
    first, second = (4, 4, 30, 6, 2), (5, 1, 4, 30, 3)
    ends: dict[tuple[int, ...], int] = {}
    for order in permutations(range(5)):
        minutes = {
            Stage.DESCRIBING: np.array([first[job] for job in order]) * 60,
            Stage.REBOXING: np.array([second[job] for job in order]) * 60,
        }
        luck_of_order = future(
            np.zeros(5, dtype=np.int64), minutes, [(Stage.DESCRIBING,), (Stage.REBOXING,)]
        )
        events = record(luck_of_order)
        one = two = 0
        for job in order:
            one += first[job]
            two = max(one, two) + second[job]
        ends[order] = int(events[events[:, 1] == What.DONE][:, 0].max()) // 60
        assert ends[order] == two
    assert ends[0, 1, 2, 3, 4] == 77
    assert min(ends.values()) == 47
    assert max(ends.values()) == 78
    assert ends[4, 0, 3, 2, 1] == 47
    assert ends[0, 4, 3, 2, 1] == 47


def test_twenty_customers_at_a_checkout() -> None:
    # Banks et al., Discrete-Event System Simulation, the checkout example, from memory.
    gaps = [0, 8, 6, 1, 8, 3, 8, 7, 2, 3, 1, 1, 5, 6, 3, 8, 1, 2, 4, 5]
    service = np.array([4, 1, 4, 3, 2, 4, 5, 4, 5, 3, 3, 5, 4, 1, 5, 4, 3, 3, 2, 3]) * 60
    arrival = np.cumsum(gaps) * 60
    stage = Stage.REBOXING
    events = record(future(arrival, {stage: service}, [(stage,)]))
    taken = moments(events, What.TAKEN, stage, 20)
    finished = moments(events, What.FINISHED, stage, 20)
    waits = (taken - arrival) // 60
    assert waits.sum() == 56
    assert np.count_nonzero(waits) == 13
    assert finished.max() // 60 == 86
    assert (finished - arrival).sum() // 60 == 124
    assert (finished.max() - (finished - taken).sum()) // 60 == 18  # idle


def test_the_hand_trace_of_a_single_server() -> None:
    # Law, Simulation Modeling and Analysis, the single-server example: it ends when the sixth delay
    # is over. A unit is an hour. Customers after the sixth are served for an hour; nobody looks.
    gaps = np.array([0.4, 1.2, 0.5, 1.7, 0.2, 1.6, 0.2, 1.4, 1.9])
    service = np.array([2.0, 0.7, 0.2, 1.1, 3.7, 0.6, 1.0, 1.0, 1.0])
    arrival = np.rint(np.cumsum(gaps) * 3600).astype(np.int64)
    stage = Stage.REBOXING
    events = record(
        future(arrival, {stage: np.rint(service * 3600).astype(np.int64)}, [(stage,)])
    )
    taken = moments(events, What.TAKEN, stage, 9)
    finished = moments(events, What.FINISHED, stage, 9)
    end = taken[5]
    assert ((taken - arrival)[:6] / 3600).tolist() == [0.0, 0.8, 1.0, 0.0, 0.9, 3.0]
    assert end == 8.6 * 3600
    in_queue = np.minimum(taken, end) - np.minimum(arrival, end)
    busy = np.minimum(finished, end) - np.minimum(taken, end)
    assert in_queue.sum() == 9.9 * 3600
    assert busy.sum() == 7.7 * 3600


# Queues in the long run


def erlang_c(servers: int, load: float) -> float:
    """Chance of waiting (Erlang's second formula)."""
    waiting = load**servers / math.factorial(servers) / (1.0 - load / servers)
    return waiting / (sum(load**k / math.factorial(k) for k in range(servers)) + waiting)


@pytest.mark.parametrize(
    ("servers", "in_queue", "in_system"), [(2, 7.6737, 1.05263), (4, 0.10516, 0.211685)]
)
def test_several_people_at_one_stage_are_erlangs_queue(
    servers: int, in_queue: float, in_system: float
) -> None:
    # Textbook formula, Erlang C: arrivals 9 an hour, 5 an hour a person.
    wait = erlang_c(servers, 9 / 5) / (servers * 5.0 - 9.0)
    assert 9.0 * wait == pytest.approx(in_queue, rel=1e-4)
    assert wait + 1 / 5 == pytest.approx(in_system, rel=1e-4)
    warm_up, many = (1000, (3000, 7000)) if servers == 2 else (100, (500, 10_000))
    measured = queue(11, servers, 1 / 9, 1 / 5, many=many, warm_up=warm_up)
    assert measured.agrees_with(wait)


@pytest.mark.parametrize(("mean", "sd", "in_queue"), [(24.0, 20.0, 2.7111), (25.0, 2.0, 2.0967)])
def test_one_person_with_any_minutes_follows_pollaczek_and_khinchine(
    mean: float, sd: float, in_queue: float
) -> None:
    # Pollaczek-Khinchine; the numbers after Banks et al., from memory. Lognormal minutes.
    load = mean / 30.0
    expected = load**2 * (1.0 + (sd / mean) ** 2) / (2.0 * (1.0 - load))
    assert expected == pytest.approx(in_queue, rel=1e-4)
    measured = queue(12, 1, 30.0, mean, sd)
    assert measured.agrees_with(expected * 30.0)  # Little: wait = number / rate


def first_delays(servers: int, load: float, customers: int) -> float:
    """Mean of the first delays from empty: the exact chain of what each arrival finds."""
    arrive, serve = 1.0, 1.0 / (load * servers)
    found = np.zeros(customers + 1)
    found[0] = 1.0
    total = 0.0
    number = np.arange(customers + 1)
    for _ in range(customers):
        total += float(found @ np.maximum(0, number - servers + 1)) / (servers * serve)
        after = np.zeros_like(found)
        staying = 0.0  # chance that the number falls to this one before the next arrival
        for present in range(customers, 0, -1):
            staying += found[present - 1]
            leave = min(present, servers) * serve
            after[present] = staying * arrive / (arrive + leave)
            staying *= leave / (arrive + leave)
        after[0] = staying
        found = after
    return total / customers


@pytest.mark.parametrize(("servers", "expected"), [(1, 4.134185), (2, 3.700020)])
def test_the_first_hundred_delays_from_empty(servers: int, expected: float) -> None:
    # Load 0.9, a gap of 1. Law prints 4.13 and 3.70 (from memory); the chain is exact.
    exact = first_delays(servers, 0.9, 100)
    assert exact == pytest.approx(expected, abs=1e-6)
    measured = queue(
        13, servers, 1.0, 0.9 * servers, walked=(100, 200), many=(100, 20_000), warm_up=0
    )
    assert measured.agrees_with(exact)


def test_stages_in_a_row_are_jacksons_tandem() -> None:
    # Jackson 1957: arrivals 1, service 2, 3 and 2.5: on average 1, 1/2 and 2/3 items at a stage,
    # which is also the mean time at it, since the rate is 1. Unlimited room between the stages.
    stages, rates = (Stage.DESCRIBING, Stage.CHECKING, Stage.REBOXING), (2.0, 3.0, 2.5)
    rng = np.random.default_rng(14)

    def draw(shape: tuple[int, int]) -> tuple[Ints, list[Ints]]:
        arrival, _ = paths(rng, 1.0, 1.0, None, shape)
        return arrival, [paths(rng, 1.0, 1.0 / rate, None, shape)[1] for rate in rates]

    def recursion(arrival: Ints, services: list[Ints]) -> list[Ints]:
        times: list[Ints] = []
        for lasts in services:
            times.append(waits_by_recursion(arrival, lasts, 1) + lasts)
            arrival = arrival + times[-1]
        return times

    arrival, services = draw((100, 80))
    control = recursion(arrival, services)
    row = end_to_end(arrival, np.concatenate(services))
    events = record(
        future(
            row.T.ravel(),
            {stage: lasts.T.ravel() for stage, lasts in zip(stages, services, strict=True)},
            [(stage,) for stage in stages],
        )
    )
    many = recursion(*draw((600, 6000)))
    for stage, rate, known, more in zip(stages, rates, control, many, strict=True):
        came = moments(events, What.WAITS, stage, row.size)
        own = (moments(events, What.FINISHED, stage, row.size) - came).reshape(80, 100).T
        assert np.array_equal(own, known)
        measured = with_control(
            own.mean(axis=0) / UNIT, known.mean(axis=0) / UNIT, more[200:].mean(axis=0) / UNIT
        )
        assert measured.agrees_with(1.0 / (rate - 1.0))


# One person, two stages


def alternating_waits(first: float, second: float, most: int) -> tuple[float, float]:
    """Mean waits of two classes with one server of rate 1 that stays while its class has items.

    The stationary chain of (items of both classes, class in service), cut at ``most`` items a
    class, solved as sparse linear equations.
    """
    size = most + 1

    def state(one: int, two: int, serves: int) -> int:
        return 1 + (one * size + two) * 2 + serves

    rows: list[int] = []
    columns: list[int] = []
    rates: list[float] = []

    def flow(source: int, target: int, rate: float) -> None:
        rows.extend((target, source))
        columns.extend((source, source))
        rates.extend((rate, -rate))

    flow(0, state(1, 0, 0), first)
    flow(0, state(0, 1, 1), second)
    for one in range(size):
        for two in range(size):
            for serves in range(2):
                if (one, two)[serves] == 0:
                    continue
                here = state(one, two, serves)
                if one < most:
                    flow(here, state(one + 1, two, serves), first)
                if two < most:
                    flow(here, state(one, two + 1, serves), second)
                left = (one - (serves == 0), two - (serves == 1))
                stays = serves if left[serves] else 1 - serves
                flow(here, state(*left, stays) if any(left) else 0, 1.0)
    used = np.unique(np.array(columns))
    at = np.full(2 * size * size + 1, -1)
    at[used] = np.arange(len(used))
    chain = sparse.csr_matrix((rates, (at[rows], at[columns])), shape=(len(used),) * 2).tolil()
    chain[0, :] = 1.0  # in place of one balance equation: chances add up to 1
    right = np.zeros(len(used))
    right[0] = 1.0
    chance = spsolve(chain.tocsc(), right)
    items = (used - 1) // 2
    in_system = (float(chance[1:] @ (items // size)[1:]), float(chance[1:] @ (items % size)[1:]))
    return in_system[0] / first - 1.0, in_system[1] / second - 1.0


def staying_waits(arrival: list[Ints], service: list[Ints], steps: int) -> tuple[Ints, Ints]:
    """Class and wait of each customer in the order of service, (steps, paths) both.

    A recursion over services: stay with the class as long as it has somebody, else change.
    """
    number = np.arange(arrival[0].shape[1])
    done = np.zeros((2, len(number)), dtype=np.int64)
    now = np.zeros(len(number), dtype=np.int64)
    serves = np.zeros(len(number), dtype=np.int64)
    kinds, waits = np.empty((2, steps, len(number)), dtype=np.int64)
    for step in range(steps):
        comes = np.stack([arrival[kind][done[kind], number] for kind in range(2)])
        now = np.maximum(now, comes.min(axis=0))
        serves = np.where(comes[serves, number] <= now, serves, 1 - serves)
        waits[step] = now - comes[serves, number]
        kinds[step] = serves
        lasts = [service[kind][done[kind], number] for kind in range(2)]
        now = now + np.where(serves == 0, lasts[0], lasts[1])
        done[serves, number] += 1
    return kinds, waits


def test_one_person_who_stays_at_a_stage_while_it_has_work_alternates_priorities() -> None:
    # Two classes at rates 0.3 and 0.4, and one person with two stages. Nobody leaves a stage that
    # has work, so this is the queue with alternating priorities (Avi-Itzhak, Maxwell and Miller
    # 1965), not Cobham's (1954: 1.0 and 3.3333), in which the better class goes first after every
    # item. Kleinrock's conservation law (1965) holds for either: loads times waits add up to the
    # same as first come, first served, with its wait of 2.3333.
    expected = alternating_waits(0.3, 0.4, 70)
    assert 0.3 * expected[0] + 0.4 * expected[1] == pytest.approx(0.7 * 0.7 / 0.3, rel=1e-6)

    rng = np.random.default_rng(15)
    rates = (0.3, 0.4)

    def draw(steps: int, many: int) -> tuple[list[Ints], list[Ints]]:
        drawn = [paths(rng, 1.0 / rate, 1.0, None, (steps + 1, many)) for rate in rates]
        return [arrival for arrival, _ in drawn], [lasts for _, lasts in drawn]

    # The simulation: the same single path, customer by customer.
    each = 3000
    arrival, service = draw(each, 1)
    came = np.concatenate([column[:each, 0] for column in arrival])
    lasts = np.concatenate([column[:each, 0] for column in service])
    is_first = np.arange(2 * each) < each
    stages = (Stage.DESCRIBING, Stage.REBOXING)
    events = record(
        future(
            came,
            {stages[0]: np.where(is_first, lasts, 0), stages[1]: np.where(is_first, 0, lasts)},
            [stages],
        )
    )
    taken = events[events[:, 1] == What.TAKEN]
    kinds, waits = staying_waits(arrival, service, each)  # neither class runs out before this
    assert np.array_equal(taken[:each, 2], np.array(stages)[kinds[:, 0]])
    assert np.array_equal(taken[:each, 0] - came[taken[:each, 3]], waits[:, 0])

    # Since they agree on all of it, the recursion's long run is the simulation's.
    kinds, waits = (table[300:] for table in staying_waits(*draw(1300, 4000), 1300))
    for kind in range(2):
        count = (kinds == kind).sum(axis=0)
        total = np.where(kinds == kind, waits, 0).sum(axis=0) / UNIT
        value = total.sum() / count.sum()
        spread = (total - value * count).std(ddof=1) / count.mean()
        measured = Measured(float(value), SURE * float(spread) / math.sqrt(len(count)))
        assert measured.agrees_with(expected[kind])


def test_without_priority_one_person_is_the_simplest_queue() -> None:
    # The same work in one line, at one stage: 0.7 / 0.3 = 2.33333 (M/M/1).
    measured = queue(16, 1, 1.0 / 0.7, 1.0, many=(700, 6000), warm_up=200)
    assert measured.agrees_with(0.7 / 0.3)


# Little's law


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_littles_law_holds_exactly_on_every_path(seed: int) -> None:
    # Little 1961: average number at a stage = rate x mean time at it. On a path that begins and
    # ends empty it is an identity of whole numbers, whatever the project: mould, shelves, rejects.
    project = small_project(
        [
            Lot(12, Mould.INACTIVE, bound=True, series="S"),
            Lot(6, Mould.ACTIVE, red_rot=True, bound=True, series="S"),
            Lot(8, red_rot=True, series="S", material="folder"),
            Lot(14, series="T", material="map"),
        ],
        [
            per_item("receiving", 3.0),
            per_item("drying", 2.5),
            per_item("covers", 6.0),
            per_item("cleaning", 25.0),
            per_item("describing", 5.0),
            per_item("imaging", 2.0),
            per_image("imaging", 0.7),
            per_item("checking", 4.0),
            per_item("reboxing", 6.0),
        ],
        [
            person("AB", "receiving;cleaning;covers;drying"),
            person("CD", "imaging;covers;reboxing", mould_work=False),
            person("EF", "checking;describing;drying;covers;imaging"),
        ],
        places=Places(5, 2, 2, 1, tool_sets=2),
        quarantine_days=2,
        drying=Drying(still_damp=share(0.4)),
        checking=Checking(share_checked=1.0, reject_share=share(0.3)),
        time=WorkingTime(
            share(0.9), Estimate.known(40.0), 2.0, share(0.9), 5.0, Estimate.known(0.3)
        ),
    )
    events = record(luck.replication(luck.plan(project), seed, 0))
    assert np.count_nonzero(events[:, 1] == What.DONE) == 40
    end = int(events[-1, 0])
    for stage in Stage:
        rows = events[events[:, 2] == stage]
        came, went = rows[rows[:, 1] == What.WAITS], rows[rows[:, 1] == What.FINISHED]
        assert len(came) == len(went) > 0
        # By items: how long each visit lasted. Visits of one item follow each other.
        mean_time = Fraction(int(went[:, 0].sum()) - int(came[:, 0].sum()), len(came))
        # By time: how many were there, from one event to the next.
        present, since, area = 0, 0, 0
        for second, what in rows[:, :2].tolist():
            area += present * (second - since)
            since = second
            present += (what == What.WAITS) - (what == What.FINISHED)
        assert present == 0
        assert Fraction(area, end) == Fraction(len(came), end) * mean_time
