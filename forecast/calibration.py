"""Whether the belief is as sure as it may be: simulation-based calibration.

Truths are drawn from the belief's own prior, a team's returns from each truth, and the belief from
the returns. If prior, likelihood and arithmetic belong together, the truth's rank among draws of
the belief is uniform, for every quantity (Talts et al. 2018). All bins of all quantities together
stay inside the bands with 99 % (Bonferroni on the binomial; for bands on the empirical
distribution see Saeilynoja et al. 2022).
"""

from __future__ import annotations

import math
import multiprocessing
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import binom
from scipy.stats import t as student
from tqdm import tqdm

from forecast import pace
from forecast.belief import Belief, learn
from forecast.condition import SurveyRow
from forecast.estimates import Estimate
from forecast.history import History
from forecast.items import Category, CollectionRow, Mould
from forecast.luck import plan as make_plan
from forecast.people import TeamRow
from forecast.planning import Plan
from forecast.project import Drying, Grant, Places, Project, Sessions, TaskTime, WorkingTime
from forecast.singles import WIDER, logit_of, share_kinds, share_of
from forecast.stages import STAGE_NAMES, Stage
from forecast.weekly import Count, DryingBatch, Hours, Received, WeeklyReturn

__all__ = ["QUANTITIES", "Ranks", "belief_calibration", "bounds", "made_up_project"]

QUANTITIES = (
    "minutes of cleaning, at present",
    "minutes of reboxing, at present",
    "practice",
    "week-to-week spread",
    "delivered share",
    "absence, days a year",
    "days of drying",
    "share with active mould",
)

_DRAWS = 99
_WEEKS = 30
_START = date(2026, 1, 5)
_HOURS = 12.0  # at a stage in a week
_SPELL = 2.5
_PERSONS = ("A", "B", "C", "D")
_BOX = 10
_STAGES = (Stage.CLEANING, Stage.REBOXING)
_ROWS = {stage: f"{STAGE_NAMES[stage]}/any/any/any/item" for stage in _STAGES}
_DRYING = "drying/any/any/any/item"
_LEARNT = {
    ("time.delivered_share",),
    ("time.absence_days_a_year",),
    ("task_times.csv", _DRYING),
    pace.PRACTICE,
    *(
        ("task_times.csv", f"{STAGE_NAMES[stage]}/any/{mould}/any/item")
        for stage in _STAGES
        for mould in ("any", "none")
    ),
}

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]


def made_up_project() -> Project:
    """An invented project in which everything that the returns speak of is uncertain."""

    def work(stage: Stage, low: float, likely: float, high: float, **which: Mould) -> TaskTime:
        mould = which.get("mould")
        average = Estimate(low, likely, high)
        return TaskTime(stage, None, mould, None, False, average, 0.4)

    category = Category
    return Project(
        title="Made up",
        grant=Grant("", _START, date(2027, 12, 31), date(2028, 6, 30), 2_000),
        places=Places(200, 40, 2, 1),
        collection=(CollectionRow("A", "volume", 2_000, 1.0, False, 1.0, 1.0),),
        survey=(
            SurveyRow(category("volume", Mould.NONE, False), 12),
            SurveyRow(category("volume", Mould.INACTIVE, False), 20),
            SurveyRow(category("volume", Mould.ACTIVE, False), 8),
        ),
        task_times=(
            work(Stage.DRYING, 4.0, 7.0, 12.0),
            work(Stage.CLEANING, 40.0, 60.0, 95.0),
            work(Stage.CLEANING, 10.0, 16.0, 26.0, mould=Mould.NONE),
            work(Stage.REBOXING, 6.0, 9.0, 14.0),
        ),
        team=tuple(
            TeamRow(
                person=name,
                role="",
                start=_START,
                end=None,
                hours=(7.0, 7.0, 7.0, 7.0, 7.0, 0.0, 0.0),
                begins=32_400,
                mould_work=True,
                stages=(Stage.CLEANING, Stage.DRYING, Stage.REBOXING),
            )
            for name in _PERSONS
        ),
        observe_public_holidays=False,
        sessions=Sessions(10.0, 25.0, 20.0, 20.0),
        drying=Drying(still_damp=Estimate(0.02, 0.08, 0.20, at_most_one=True)),
        time=WorkingTime(
            delivered_share=Estimate(0.60, 0.75, 0.85, at_most_one=True),
            absence_days_a_year=Estimate(3.0, 8.0, 20.0),
            absence_spell_days=_SPELL,
            practice=Estimate(0.88, 0.94, 1.0, at_most_one=True),
            practice_starts_at=60.0,
            week_spread=Estimate(0.05, 0.12, 0.30),
        ),
    )


@dataclass(frozen=True)
class Ranks:
    """Where each truth stood among the draws. ``ranks`` (runs, quantities) from 0 to 99."""

    ranks: Ints

    def counts(self, bins: int) -> Ints:
        """(quantities, bins) truths in each part of the belief."""
        place = self.ranks * bins // (_DRAWS + 1)
        return np.array([np.bincount(own, minlength=bins) for own in place.T])

    def outside(self, bins: int) -> list[tuple[str, int, int]]:
        """Quantity, bin and count wherever a count is outside the simultaneous bands."""
        low, high = bounds(len(self.ranks), bins, bins * len(QUANTITIES))
        return [
            (QUANTITIES[q], b, int(count))
            for q, own in enumerate(self.counts(bins))
            for b, count in enumerate(own)
            if not low <= count <= high
        ]

    def table(self, bins: int = 10) -> str:
        """The counts as Markdown, with the bands and the verdict."""
        low, high = bounds(len(self.ranks), bins, bins * len(QUANTITIES))
        lines = [
            f"| truths in {bins} equal parts of the belief | {' | ' * (bins - 1)} |",
            "|---" + "|--:" * bins + "|",
        ]
        for name, own in zip(QUANTITIES, self.counts(bins), strict=True):
            lines.append(f"| {name} | {' | '.join(map(str, own))} |")
        found = self.outside(bins)
        verdict = "all inside" if not found else f"{len(found)} outside"
        lines.append(
            f"\n{len(self.ranks)} runs, {len(self.ranks) / bins:g} expected in each part; "
            f"simultaneous 99 % bands {low} to {high}: {verdict}"
        )
        return "\n".join(lines)


def bounds(runs: int, bins: int, cells: int, level: float = 0.99) -> tuple[int, int]:
    """Least and most of a bin's count, so that all cells together are inside with a probability.

    >>> bounds(1_000, 20, 1)
    (33, 69)
    """
    tail = (1.0 - level) / 2.0 / cells
    return int(binom.ppf(tail, runs, 1.0 / bins)), int(binom.isf(tail, runs, 1.0 / bins))


def belief_calibration(
    runs: int,
    seed: int,
    weeks: int = _WEEKS,
    workers: int | None = 1,
    *,
    progress: bool = False,
) -> Ranks:
    """Rank truths from the prior among draws of the belief.

    Args:
        runs: how many truths.
        seed: 0 or more.
        weeks: of returns.
        workers: processes; None: as many as there are processors. 1: this one.
        progress: show a bar on standard error.

    Returns:
        The same, however many work.
    """
    number = min(workers or os.cpu_count() or 1, runs)
    bar = partial(tqdm, total=runs, unit="truth", disable=not progress, leave=False)
    if number <= 1:
        plan = make_plan(made_up_project())
        return Ranks(np.array(list(bar(_rank(plan, seed, weeks, run) for run in range(runs)))))
    one = partial(_rank_apart, seed, weeks)
    with ProcessPoolExecutor(number, multiprocessing.get_context("spawn")) as pool:
        return Ranks(np.array(list(bar(pool.map(one, range(runs))))))


def _rank_apart(seed: int, weeks: int, run: int) -> Ints:
    """One truth's ranks, in a process of its own."""
    return _rank(make_plan(made_up_project()), seed, weeks, run)


def _rank(plan: Plan, seed: int, weeks: int, run: int) -> Ints:
    """(quantities,) ranks of one truth."""
    rng = np.random.default_rng([seed, run])
    truth = _Truth(plan, rng)
    history = truth.returns(weeks)
    belief = learn(plan, history, _START + timedelta(weeks=weeks))
    drawn = np.array([_quantities(plan, belief, rng) for _ in range(_DRAWS)])
    own = np.array(truth.quantities())
    # Ties, as where a share is cut at 1, are broken at random.
    ties = rng.random(drawn.shape) < 0.5
    return np.asarray(((drawn < own) | ((drawn == own) & ties)).sum(axis=0))


def _quantities(plan: Plan, belief: Belief, rng: np.random.Generator) -> list[float]:
    """One draw of what is compared."""

    def normals(names: Sequence[tuple[str, ...]]) -> Floats:
        return rng.standard_normal(len(names))

    def uniforms(names: Sequence[tuple[str, ...]], at: Words | None = None) -> Floats:
        return rng.random((len(names), *(() if at is None else at.shape)))

    z, drawn = belief.coordinates(plan, normals, uniforms)
    assert drawn is not None
    values = belief.values(plan, z)
    level = {stage: drawn.level[stage] + drawn.drift[stage] for stage in _STAGES}
    mix = belief.conditions(plan, uniforms)["mix"]
    active = float(mix[0, 2] - mix[0, 1])
    passes = {stage: belief.passes[stage] for stage in _STAGES}
    return _compared(plan, values, drawn.shape, level, passes, active)


def _compared(
    plan: Plan,
    values: Floats,
    shape: pace.Shape,
    level: Mapping[Stage, float],
    passes: Mapping[Stage, float],
    active: float,
) -> list[float]:
    """The quantities, in their order."""

    def value(*name: str) -> float:
        return float(values[plan.estimates.number[name]])

    practice = value(*pace.PRACTICE)
    minutes = [
        value("task_times.csv", _ROWS[stage])
        * math.exp(math.log(practice) * float(shape.of(np.array(passes[stage]))) + level[stage])
        for stage in _STAGES
    ]
    others = (
        pace.SPREAD,
        ("time.delivered_share",),
        ("time.absence_days_a_year",),
        ("task_times.csv", _DRYING),
    )
    return [*minutes, practice, *(value(*name) for name in others), active]


class _Truth:
    """One truth from the prior, and what a team would return of it."""

    def __init__(self, plan: Plan, rng: np.random.Generator) -> None:
        self.plan, self.rng = plan, rng
        names = plan.estimates.names
        z = rng.standard_normal(len(names))
        at = [n for n, name in enumerate(names) if name[-1].startswith("cleaning/")]
        common = rng.standard_normal()
        rho = pace.STAGE_CORRELATION
        z[at] = math.sqrt(rho) * common + math.sqrt(1.0 - rho) * z[at]
        wide = [n for n, name in enumerate(names) if name in _LEARNT]
        z[wide] *= WIDER
        uniforms: Floats = np.asarray(ndtr(z))
        self.values = plan.estimates.quantiles.at(uniforms)
        kinds = pace.shapes(plan.project.time.practice_starts_at, plan.project.total_items)
        self.shape = kinds[rng.choice(len(kinds), p=[kind.weight for kind in kinds])]
        alpha = plan.alpha[0]
        surveyed = alpha - 0.5
        self.mix = rng.dirichlet(0.5 + surveyed / 1.5)
        self.passes = dict.fromkeys(_STAGES, 0.0)
        self.last: dict[Stage, float] = {}
        self.in_hand = dict.fromkeys(_STAGES, 0.0)

    def value(self, *name: str) -> float:
        return float(self.values[self.plan.estimates.number[name]])

    def _logs(self, weeks: int) -> Floats:
        """(weeks,) log level of one stage: excess, drift and a step."""
        rng = self.rng
        walks, weights = pace.walk_sizes(0.010)
        size = walks[rng.choice(len(walks), p=weights)]
        left = 0.99
        variance = size**2 / (1.0 - left**2)
        drift: Floats = np.zeros(weeks)
        drift[0] = rng.normal(0.0, math.sqrt(variance))
        for n in range(1, weeks):
            drift[n] = left * drift[n - 1] + size * rng.standard_normal()
        level = rng.normal(0.0, pace.EXCESS) - pace.EXCESS**2 / 2.0 - variance / 2.0
        logs: Floats = drift + level
        chances = np.full(weeks - pace.FIRST_STEP, pace.STEP_CHANCE)
        step = rng.choice(len(chances) + 1, p=[1.0 - chances.sum(), *chances])
        if step:
            logs[pace.FIRST_STEP + step - 1 :] += rng.normal(0.0, pace.STEP)
        return logs

    def returns(self, weeks: int) -> History:
        """What the team returns."""
        levels = {stage: self._logs(weeks) for stage in _STAGES}
        self.last = {stage: float(own[-1]) for stage, own in levels.items()}
        shares = self._shares(weeks)
        away = self._away(weeks)
        mondays = [_START + timedelta(weeks=n) for n in range(weeks)]
        told = []
        drying = self._drying(mondays)
        for n, monday in enumerate(mondays):
            counts: list[Count] = []
            hours: list[Hours] = []
            logged = 0.0
            for stage in _STAGES:
                own, stage_hours = self._week(stage, levels[stage][n])
                counts += own
                hours.append(stage_hours)
                logged += stage_hours.hours
            rostered = 7.0 * 5 * len(_PERSONS)
            hours.append(Hours("", None, away[n]))
            # Whatever else reached a stage was attention to what dries.
            rest = shares[n] * (rostered - away[n]) - logged
            hours.append(Hours("", Stage.DRYING, rest))
            told.append(
                WeeklyReturn(
                    monday,
                    frozenset({"counts", "hours", "drying", "received"}),
                    counts=tuple(counts),
                    hours=tuple(hours),
                    drying=tuple(drying.get(monday, ())),
                    received=tuple(self._received(n)),
                )
            )
        return History.of(told)

    def _week(self, stage: Stage, level: float) -> tuple[list[Count], Hours]:
        """Counts and hours at a stage, as the statistical model has them."""
        rng, number = self.rng, self.plan.estimates.number
        of_mould = [self.plan.per_item.row[c, stage] for c in range(3)]
        usual = self.plan.estimates.quantiles.at(np.full(len(self.plan.estimates.names), 0.5))
        likely = float(usual[of_mould] @ [0.3, 0.5, 0.2])
        items = rng.multinomial(max(4, round(60.0 * _HOURS / likely)), [0.3, 0.5, 0.2])
        total = float(items.sum())
        before = np.array(self.passes[stage] + total / 2.0)
        minutes = items * self.values[of_mould]
        at_medians = items * usual[of_mould]
        sigma = self.plan.per_item.sigma[:3, stage]
        own = float(((at_medians * sigma) ** 2 / np.maximum(items, 1)).sum())
        variance = own / float(at_medians.sum()) ** 2
        spread = float(self.values[number[pace.SPREAD]])
        shock = pace.SCALE * spread * float(np.clip(student.rvs(pace.NU, random_state=rng), -6, 6))
        logs = math.log(float(minutes.sum())) + level + shock
        logs -= float(pace.log_mean_week(np.array([spread]))[0])
        logs += rng.normal(-variance / 2.0, math.sqrt(variance))
        # What one person left unfinished, in this week's hours and among the next week's items.
        left, self.in_hand[stage] = self.in_hand[stage], self._left(stage)
        logs += math.log1p((self.in_hand[stage] - left) / total)
        logs += math.log(float(self.values[number[pace.PRACTICE]])) * float(self.shape.of(before))
        self.passes[stage] += total
        rows = [Count(stage, "volume", Mould(c), False, int(k)) for c, k in enumerate(items) if k]
        return rows, Hours("", stage, math.exp(logs) / 60.0, 0)

    def _left(self, stage: Stage) -> float:
        """Unfinished at a week's end, in whole items."""
        mean, variance = pace.IN_HAND[stage]
        had = (self.in_hand[stage] - mean) / math.sqrt(variance) if self.passes[stage] else None
        luck = self.rng.standard_normal()
        kept = pace.IN_HAND_LEFT
        now = luck if had is None else kept * had + math.sqrt(1.0 - kept**2) * luck
        return mean + math.sqrt(variance) * float(now)

    def _shares(self, weeks: int) -> Floats:
        """(weeks,) delivered share: AR(1) on the logit."""
        rng = self.rng
        kinds = share_kinds()
        sd, left = kinds[rng.integers(len(kinds))]
        now = rng.normal(0.0, 1.0) * sd
        middle = logit_of(self.value("time.delivered_share"))
        logits = np.empty(weeks)
        for n in range(weeks):
            logits[n] = middle + now + rng.normal(0.0, 0.03)
            now = left * now + sd * math.sqrt(1.0 - left**2) * rng.standard_normal()
        return share_of(logits)

    def _away(self, weeks: int) -> Floats:
        """(weeks,) hours away: spells of a geometric length that begin at random."""
        days = 5 * len(_PERSONS)
        part = self.value("time.absence_days_a_year") / self.plan.absence_days
        spells = self.rng.poisson(part * days * weeks / _SPELL)
        away = np.zeros(weeks)
        for length in self.rng.geometric(1.0 / _SPELL, spells):
            away[self.rng.integers(weeks)] += 7.0 * length
        return np.minimum(away, 7.0 * days * 0.9)

    def _drying(self, mondays: Sequence[date]) -> dict[date, list[DryingBatch]]:
        """Batches of one item, by the week in which they are told; most dry to the end."""
        rng = self.rng
        average = self.value("task_times.csv", _DRYING)
        sigma = math.sqrt(math.log1p(0.4**2))
        told: dict[date, list[DryingBatch]] = {}
        last = mondays[-1] + timedelta(days=6)
        for n, monday in enumerate(mondays):
            for k in range(2):
                put_in = monday + timedelta(days=2 * k)
                days = math.ceil(average * math.exp(sigma * rng.standard_normal() - sigma**2 / 2))
                out = put_in + timedelta(days=days)
                while out.weekday() > 4:  # nobody looks at weekends
                    out += timedelta(days=1)
                name = f"{n}-{k}"
                told.setdefault(monday, []).append(DryingBatch(name, put_in, 1))
                if out <= last:
                    week = out - timedelta(days=out.weekday())
                    told.setdefault(week, []).append(DryingBatch(name, put_in, 1, out))
        return told

    def _received(self, n: int) -> list[Received]:
        """One opened box; neighbours are as like as the belief supposes before it sees boxes."""
        own = self.rng.dirichlet(self.mix * 9.0)
        counts = self.rng.multinomial(_BOX, own)
        return [
            Received("A", f"box {n}", "volume", Mould(c), False, int(k))
            for c, k in enumerate(counts)
            if k
        ]

    def quantities(self) -> list[float]:
        """What is compared."""
        active = float(self.mix[2])
        return _compared(self.plan, self.values, self.shape, self.last, self.passes, active)
