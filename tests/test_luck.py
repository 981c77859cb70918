"""Luck by name: what shifts when a project changes, and what must not."""

from __future__ import annotations

import math
import pickle
from dataclasses import replace
from datetime import date, timedelta
from hashlib import blake2b
from typing import Any

import numpy as np
import pytest
from numpy.random.bit_generator import ISeedSequence
from scipy import stats

from forecast import drawing, luck, working_time
from forecast.condition import SurveyRow
from forecast.drawing import words_at
from forecast.estimates import Estimate
from forecast.items import Category, CollectionRow, Mould
from forecast.luck import Plan, Replication
from forecast.people import TeamRow
from forecast.project import (
    Checking,
    Drying,
    Grant,
    Outcomes,
    Places,
    Project,
    TaskTime,
    WorkingTime,
)
from forecast.stages import HANDLED_STAGES, PRACTISED_STAGES, Stage
from tests.small_projects import MONDAY, Lot, per_item, person, share, small_project

# Arrays of what varies anyway, item by item: nothing about people, places or dates moves them.
ITEMS_OWN = (
    "mould",
    "red_rot",
    "bound",
    "images",
    "applies",
    "base_seconds",
    "again_seconds",
    "again_images",
    "rejections",
    "rounds",
    "round_days",
    "set_aside",
    "not_imaged",
)

_NONE = Estimate.known(0.0)

EVERYTHING = ";".join(stage.name.lower() for stage in HANDLED_STAGES)


def _row(series: str, material: str, items: int, **changes: Any) -> CollectionRow:
    row = CollectionRow(series, material, items, 20.0, material == "volume", 15.0, 30.0)
    return replace(row, **changes)


def _time(stage: Stage, likely: float, **changes: Any) -> TaskTime:
    row = TaskTime(stage, None, None, None, False, Estimate(likely / 2, likely, likely * 3), 0.4)
    return replace(row, **changes)


def _project(**changes: Any) -> Project:
    """Everything is uncertain, so that whatever shifts is seen."""
    start = date(2026, 3, 4)
    project = Project(
        title="Uncertain",
        grant=Grant("", start, date(2026, 12, 31), date(2027, 3, 31), 100),
        places=Places(20, 5, 1, 1),
        collection=(_row("A", "volume", 40), _row("A", "folder", 25), _row("B", "volume", 30)),
        survey=(
            SurveyRow(Category("volume", Mould.NONE, False), 6),
            SurveyRow(Category("volume", Mould.INACTIVE, True), 5),
            SurveyRow(Category("volume", Mould.ACTIVE, False), 4),
            SurveyRow(Category("folder", Mould.NONE, False), 5),
            SurveyRow(Category("folder", Mould.ACTIVE, False), 3),
        ),
        task_times=(
            *(_time(stage, 5.0) for stage in PRACTISED_STAGES),
            _time(Stage.DRYING, 4.0),
            _time(Stage.IMAGING, 0.5, per_image=True),
        ),
        team=(person("AB", EVERYTHING, start=start), person("CD", EVERYTHING, start=start)),
        drying=Drying(still_damp=share(0.4)),
        checking=Checking(0.5, share(0.4), 0.25),
        outcomes=Outcomes(share(0.1), share(0.1)),
        time=WorkingTime(absence_days_a_year=Estimate(20.0, 30.0, 60.0)),
    )
    return replace(project, **changes)


def _quick(**changes: Any) -> Project:
    """Two months, one person, and nothing uncertain but what a test asks for."""
    start = date(2026, 3, 4)
    project = _project(
        grant=Grant("", start, date(2026, 4, 30), date(2026, 4, 30), 100),
        team=(person("AB", EVERYTHING, start=start),),
        task_times=(_time(Stage.CLEANING, 5.0),),
        time=WorkingTime(share(1.0), Estimate.known(0.0), 1.0, share(1.0), 100.0, _NONE),
        observe_public_holidays=False,
    )
    return replace(project, **changes)


def _drawn(project: Project, index: int = 0, seed: int = 1) -> tuple[Plan, Replication]:
    plan = luck.plan(project)
    return plan, luck.replication(plan, seed, index)


def _same(a: Replication, b: Replication, names: tuple[str, ...], where: Any = ...) -> None:
    for name in names:
        mine, theirs = getattr(a, name), getattr(b, name)[where]
        assert np.array_equal(mine, theirs), name


# --- streams ----------------------------------------------------------------------------------


def test_no_two_names_share_a_stream() -> None:
    names = [("normals", stage.name, f"S{n}", "volume") for stage in Stage for n in range(300)]
    first = {luck.stream(1, 0, *name).random() for name in names}
    assert len(first) == len(names)


@pytest.mark.parametrize(
    ("one", "other"),
    [((1, 0, "AB", "C"), (1, 0, "A", "BC")), ((1, 11, "A"), (11, 1, "A")), ((1, 1), (11, 1))],
)
def test_a_name_is_more_than_its_letters_in_a_row(one: Any, other: Any) -> None:
    assert luck.stream(*one).random() != luck.stream(*other).random()


def _hash(names: str) -> bytes:
    return blake2b(names.replace("|", "\0").encode()).digest()


def test_a_stream_is_seeded_with_the_hash_of_seed_replication_and_name() -> None:
    digest = _hash("5|7|week|3507")

    class Words(ISeedSequence):
        def generate_state(self, n_words: int, dtype: Any = np.uint32) -> Any:
            return np.frombuffer(digest, dtype)[:n_words]

    seed: Any = Words()
    by_hand = np.random.Generator(np.random.SFC64(seed))
    drawn = luck.stream(5, 7, "week", "3507")
    assert drawn.random(4).tolist() == by_hand.random(4).tolist()


def test_a_seed_is_as_long_as_a_generator_asks_and_of_its_kind_of_word() -> None:
    seed: Any = luck._NameSeed(blake2b(b"name").digest())
    long, short = seed.generate_state(40, np.uint64), seed.generate_state(3, np.uint64)
    assert long.dtype == np.uint64
    assert long[:3].tolist() == short.tolist()
    assert np.unique(long).size == 40
    assert seed.generate_state(6).dtype == np.uint32
    assert seed.generate_state(6).tobytes() == short.tobytes()
    np.random.Generator(np.random.MT19937(seed)).random()  # which asks for 624
    with pytest.raises(ValueError, match="uint32 or uint64, not float64"):
        seed.generate_state(3, np.float64)


def _split_mix(state: int, skipped: int, count: int) -> list[int]:
    """SplitMix64 as it is published: one word after the other."""
    mask, words = 2**64 - 1, []
    for _ in range(skipped + count):
        state = (state + 0x9E3779B97F4A7C15) & mask
        word = ((state ^ (state >> 30)) * 0xBF58476D1CE4E5B9) & mask
        word = ((word ^ (word >> 27)) * 0x94D049BB133111EB) & mask
        words.append(word ^ (word >> 31))
    return words[skipped:]


def test_a_word_at_a_place_is_the_one_that_comes_there_in_split_mix_64() -> None:
    # The first five words of seed 1234567, as they are commonly quoted.
    quoted = [
        6457827717110365317,
        3203168211198807973,
        9817491932198370423,
        4593380528125082431,
        16408922859458223821,
    ]
    key = np.array([1234567], dtype=np.uint64)
    assert words_at(np.arange(5, dtype=np.uint64), key).tolist() == quoted
    assert _split_mix(1234567, 0, 5) == quoted
    far = words_at(np.arange(10_000, 10_003, dtype=np.uint64), key)
    assert far.tolist() == _split_mix(1234567, 10_000, 3)


def test_words_at_places_of_names_alike_make_uniforms_that_are_not_related() -> None:
    draws = luck._Draws(1, 0)
    keys = draws.words([("absence", f"P{n}") for n in range(50)])
    places = np.arange(739_000, 741_000, dtype=np.uint64)
    uniforms = drawing.uniforms(words_at(places, keys))
    assert stats.kstest(uniforms.ravel(), "uniform").pvalue > 0.001
    apart = np.asarray(np.corrcoef(uniforms))[np.triu_indices(50, 1)]
    # 1,225 correlations: the largest stays below this in 99.9 % of all cases.
    assert np.abs(apart).max() < stats.norm.ppf(1 - 0.0005 / 1_225) / math.sqrt(2_000)
    after = np.corrcoef(uniforms[:, 1:].ravel(), uniforms[:, :-1].ravel())[0, 1]
    assert abs(after) < stats.norm.ppf(0.9995) / math.sqrt(50 * 1_999)


def test_a_uniform_straight_from_a_hash_is_never_0_or_1() -> None:
    ends = drawing.uniforms(np.array([0, 2**64 - 1], dtype=np.uint64))
    assert 0.0 < ends[0] < 1e-15
    assert 1.0 - 1e-15 < ends[1] < 1.0


def test_streams_of_other_names_replications_and_seeds_are_not_related() -> None:
    streams = [
        luck.stream(1, 0, "scatter", "A").standard_normal(4_000),
        luck.stream(1, 0, "scatter", "B").standard_normal(4_000),
        luck.stream(1, 1, "scatter", "A").standard_normal(4_000),
        luck.stream(2, 0, "scatter", "A").standard_normal(4_000),
    ]
    apart = np.asarray(np.corrcoef(streams))[np.triu_indices(4, 1)]
    # 99.9 % of the correlations of independent samples of this size are smaller.
    assert np.abs(apart).max() < stats.norm.ppf(0.9995) / math.sqrt(4_000)


def test_the_same_seed_and_number_give_the_same_future_whatever_was_drawn_before() -> None:
    plan = luck.plan(_project())
    luck.replication(plan, 1, 4)
    first, again = luck.replication(plan, 1, 7), luck.replication(luck.plan(_project()), 1, 7)
    other = luck.replication(plan, 1, 8)
    _same(first, again, (*ITEMS_OWN, "shift_begin", "shift_end", "week_factor", "practice"))
    assert not np.array_equal(first.base_seconds, other.base_seconds)


# --- another person, series, row or resource shifts nobody else's ------------------------------


def test_another_person_changes_no_items_luck_and_nobody_elses_absence() -> None:
    project = _project()
    newcomer = person("ZZ", "imaging", start=project.grant.start)
    _, before = _drawn(project)
    _, after = _drawn(replace(project, team=(newcomer, *project.team)))
    _same(before, after, (*ITEMS_OWN, "week_factor", "practice", "delivered_share"))
    _same(before, after, ("shift_begin", "shift_end"), np.s_[1:])
    assert (before.shift_end == 0).any()
    assert before.shift_end[0].tolist() != before.shift_end[1].tolist()


def test_more_items_in_one_cell_shift_nobody_elses_luck_nor_their_own() -> None:
    project = _project()
    more = (project.collection[0], replace(project.collection[1], items=31), project.collection[2])
    plan, before = _drawn(project)
    wider, after = _drawn(replace(project, collection=more))
    for cell, moved in ((0, 0), (2, 6)):
        mine = np.argsort(plan.order)[_items(plan, cell)]
        theirs = np.argsort(wider.order)[_items(wider, cell)]
        assert _items(wider, cell).start == _items(plan, cell).start + moved
        for name in ITEMS_OWN:
            one, other = getattr(before, name)[mine], getattr(after, name)[theirs]
            if name == "round_days":
                one, other = one[:, :2], other[:, :2]
            assert np.array_equal(one, other), name
    # Of the cell itself: what hangs on the item alone.
    mine = np.argsort(plan.order)[_items(plan, 1)]
    theirs = np.argsort(wider.order)[_items(wider, 1)][:25]
    for name in ("set_aside", "not_imaged", "rounds"):
        assert np.array_equal(getattr(before, name)[mine], getattr(after, name)[theirs]), name
    assert np.array_equal(before.base_seconds[mine, 4], after.base_seconds[theirs, 4])


def _items(plan: Plan, cell: int) -> slice:
    first = plan.cells[cell].first_item
    return slice(first, first + plan.cells[cell].items)


@pytest.mark.parametrize("off", [Stage.RECEIVING, Stage.DRYING, Stage.CLEANING, Stage.REBOXING])
def test_a_stage_switched_off_shifts_no_luck_at_the_others(off: Stage) -> None:
    project = _project()
    _, before = _drawn(project)
    _, after = _drawn(replace(project, stages_off=frozenset({off})))
    others = [stage for stage in Stage if stage is not off]
    for name in ("applies", "base_seconds"):
        one, other = getattr(before, name), getattr(after, name)
        assert np.array_equal(one[:, others], other[:, others]), name
    assert not after.applies[:, off].any()
    _same(before, after, ("mould", "images", "set_aside", "not_imaged", "rounds", "rejections"))
    _same(before, after, ("shift_begin", "shift_end", "week_factor", "practice"))


def test_a_longer_horizon_shifts_no_luck() -> None:
    project = _project()
    later = replace(project.grant, horizon=project.grant.horizon + timedelta(days=1_900))
    _, before = _drawn(project)
    _, after = _drawn(replace(project, grant=later))
    _same(before, after, ITEMS_OWN)
    days, weeks = before.shift_begin.shape[1], before.week_factor.shape[1]
    assert np.array_equal(before.shift_end, after.shift_end[:, :days])
    # Some of the last week's days were beyond the horizon; it is the same week.
    assert np.array_equal(before.week_factor, after.week_factor[:, :weeks])


def test_another_series_in_front_changes_no_other_items_luck() -> None:
    project = _project()
    more = (_row("New", "map", 17), *project.collection)
    _, before = _drawn(project)
    _, after = _drawn(replace(project, collection=more))
    _same(before, after, tuple(n for n in ITEMS_OWN if n != "round_days"), np.s_[17:])
    shared = min(before.round_days.shape[1], after.round_days.shape[1])
    assert np.array_equal(before.round_days[:, :shared], after.round_days[17:, :shared])
    _same(before, after, ("shift_begin", "shift_end", "week_factor"))


def test_another_material_in_a_series_changes_no_other_items_luck() -> None:
    project = _project()
    more = (*project.collection[:2], _row("A", "map", 9), project.collection[2])
    plan, before = _drawn(project)
    wider, after = _drawn(replace(project, collection=more))
    # Maps come in between and after the volumes and folders of their series.
    cell_major = np.sort(plan.order)
    mine = {n: before.base_seconds[np.flatnonzero(plan.order == n)[0]] for n in cell_major}
    for n, expected in mine.items():
        moved = n if n < 65 else n + 9
        at = np.flatnonzero(wider.order == moved)[0]
        assert np.array_equal(after.base_seconds[at], expected)


def test_a_second_series_of_a_material_keeps_the_belief_about_the_first() -> None:
    one = _quick(collection=(_row("A", "folder", 400),), survey=_sample(8, 4))
    two = replace(one, collection=(*one.collection, _row("B", "folder", 400)))
    for index in range(5):
        before, after = (_drawn(project, index)[1].mould for project in (one, two))
        # Only the eight that were looked at, nobody knows in which series, may have moved.
        assert (before != after[:400]).sum() <= 8


def test_another_row_of_task_times_changes_only_what_it_speaks_of() -> None:
    project = _project()
    slow = _time(Stage.CLEANING, 90.0, material="folder")
    plan, before = _drawn(project)
    _, after = _drawn(replace(project, task_times=(slow, *project.task_times)))
    folders = np.isin(plan.order, np.arange(40, 65))
    changed = before.base_seconds != after.base_seconds
    assert changed[folders, Stage.CLEANING].all()
    changed[folders, Stage.CLEANING] = False
    assert not changed.any()
    _same(before, after, tuple(name for name in ITEMS_OWN if name != "base_seconds"))


def test_more_benches_cameras_and_shelves_change_nothing_but_their_number() -> None:
    project = _project()
    _, before = _drawn(project)
    _, after = _drawn(replace(project, places=Places(99, 50, 4, 3, tool_sets=1)))
    _same(before, after, (*ITEMS_OWN, "shift_begin", "shift_end", "week_factor", "practice"))


def test_a_later_grant_keeps_the_luck_of_each_date_and_week() -> None:
    project = _project()
    later = date(2026, 3, 25)
    _, before = _drawn(project)
    _, after = _drawn(replace(project, grant=replace(project.grant, start=later)))
    shift = (later - project.grant.start).days
    _same(after, before, ("week_factor",), np.s_[:, shift // 7 :])
    worked = before.shift_end[:, shift:] > before.shift_begin[:, shift:]
    also = after.shift_end > after.shift_begin
    # Who was away when the earlier grant was under way may still be: the spell began before.
    assert (worked == also)[:, 30:].all()
    _same(before, after, ITEMS_OWN)


def test_a_week_is_good_or_bad_by_stage_and_monday_with_mean_one() -> None:
    project = _project(time=WorkingTime(week_spread=Estimate.known(0.3)))
    factors = np.array([luck.replication(luck.plan(project), 1, n).week_factor for n in range(20)])
    handled = factors[:, list(PRACTISED_STAGES)]
    assert (factors[:, Stage.DRYING] == 1.0).all()
    n = handled.size
    # A lognormal of mean 1 and sigma 0.3 has variance exp(sigma^2) - 1.
    half = stats.norm.ppf(0.9995) * math.sqrt(math.expm1(0.09) / n)
    assert half < 0.02
    assert abs(handled.mean() - 1.0) < half
    assert np.unique(handled).size == n


# --- the order of work ------------------------------------------------------------------------


def _materials(*counts: int) -> str:
    """The order of work of one series, a letter for each material."""
    rows = tuple(_row("A", name, n) for name, n in zip("abc", counts, strict=False))
    plan = luck.plan(_project(collection=rows, survey=()))
    ends = np.cumsum(counts)
    return "".join("abc"[int(np.searchsorted(ends, at, side="right"))] for at in plan.order)


@pytest.mark.parametrize(
    ("counts", "order"),
    [
        # (j - 1/2)/n by hand. a: 1/8 3/8 5/8 7/8; b: 1/4 3/4.
        ((4, 2), "abaaba"),
        # a: 1/6 1/2 5/6; b: 1/2 - the tie at 1/2 goes to the earlier row.
        ((3, 1), "aaba"),
        # a: 1/2; b: 1/6 1/2 5/6.
        ((1, 3), "babb"),
        # a: 1/4 3/4; b: 1/6 1/2 5/6; c: 1/10 3/10 5/10 7/10 9/10; the tie at 1/2 is b, then c.
        ((2, 3, 5), "cbacbccabc"),
    ],
)
def test_materials_of_a_series_come_evenly_mixed(counts: tuple[int, ...], order: str) -> None:
    assert _materials(*counts) == order


def test_series_come_in_the_order_of_the_collection() -> None:
    rows = (_row("Z", "a", 2), _row("A", "a", 2), _row("Z", "b", 1))
    plan = luck.plan(_project(collection=rows, survey=()))
    assert plan.series_of_item == ("Z", "Z", "Z", "A", "A")
    assert plan.order.tolist() == [0, 4, 1, 2, 3]  # 1/4, then the tie-free 1/2, then 3/4


def test_a_series_that_was_looked_at_completely_has_its_conditions_evenly_mixed() -> None:
    # Of 6: none 3 at 1/6 1/2 5/6; inactive 1 at 1/2; active with red rot 2 at 1/4 3/4.
    lots = [
        Lot(2, Mould.ACTIVE, red_rot=True, bound=True, series="S"),
        Lot(3, bound=True, series="S"),
        Lot(1, Mould.INACTIVE, bound=True, series="S"),
    ]
    project = small_project(lots, [per_item("cleaning", 5)], [person("AB", "cleaning")])
    for index in range(3):
        _, drawn = _drawn(project, index)
        assert drawn.mould.tolist() == [0, 2, 0, 1, 2, 0]
        assert drawn.red_rot.tolist() == [False, True, False, False, True, False]


def test_floating_point_makes_and_breaks_no_ties() -> None:
    for n in range(1, 40):
        # a at (j - 1/2)/n and b at (k - 1/2)/(3n) tie for k = 3j - 1.
        assert _materials(n, 3 * n) == "babb" * n


# --- conditions -------------------------------------------------------------------------------


def _share_of_mould(survey: tuple[SurveyRow, ...], items: int = 400, count: int = 60) -> Any:
    project = _quick(collection=(_row("A", "folder", items),), survey=survey)
    plan = luck.plan(project)
    return np.array([(luck.replication(plan, 1, n).mould > 0).mean() for n in range(count)])


def _sample(items: int, mouldy: int) -> tuple[SurveyRow, ...]:
    return (
        SurveyRow(Category("folder", Mould.NONE, False), items - mouldy),
        SurveyRow(Category("folder", Mould.INACTIVE, False), mouldy),
    )


def test_the_mix_is_known_better_from_a_larger_sample_and_wholly_when_all_was_looked_at() -> None:
    spread = [_share_of_mould(_sample(n, n // 4)).std() for n in (8, 40, 200, 400)]
    assert spread[0] > spread[1] > spread[2] > spread[3] == 0.0


def test_the_drawn_mix_has_the_mean_and_variance_of_the_dirichlet_multinomial() -> None:
    items, seen, mouldy = 400, 40, 10
    shares = _share_of_mould(_sample(seen, mouldy), items, 400) * items - mouldy
    # Half an item a category: 30.5, 10.5 and 0.5 of 41.5; the mouldy ones together 11.
    a, b, rest = 11.0, 30.5, items - seen
    expected = stats.betabinom(rest, a, b)
    half = stats.norm.ppf(0.9995) * expected.std() / math.sqrt(400)
    assert abs(shares.mean() - expected.mean()) < half
    low, high = (stats.chi2.ppf(p, 399) / 399 for p in (0.0005, 0.9995))
    # The beta-binomial has nearly the normal's kurtosis, so the chi-square bounds are fair.
    assert low < shares.var(ddof=1) / expected.var() < high


def test_a_material_keeps_its_mix_beside_one_that_has_more_conditions() -> None:
    alone = _quick(collection=(_row("A", "folder", 400),), survey=_sample(40, 20))
    volumes = SurveyRow(Category("volume", Mould.ACTIVE, True), 10)
    both = replace(
        alone,
        collection=(_row("B", "volume", 30), *alone.collection),
        survey=(*alone.survey, volumes),
    )
    for index in range(5):
        one, other = (_drawn(project, index)[1].mould for project in (alone, both))
        assert np.array_equal(one, other[30:])
        assert 0.2 < (one > 0).mean() < 0.8


def test_looked_at_items_are_in_every_future_what_they_were_seen_to_be() -> None:
    survey = (SurveyRow(Category("folder", Mould.ACTIVE, False), 30),)
    project = _project(collection=(_row("A", "folder", 40),), survey=survey)
    plan = luck.plan(project)
    assert all((luck.replication(plan, 1, n).mould == 2).sum() >= 30 for n in range(20))


def test_a_series_with_a_survey_of_its_own_goes_by_that() -> None:
    rows = (_row("Wet", "folder", 100), _row("Dry", "folder", 100))
    survey = (
        SurveyRow(Category("folder", Mould.ACTIVE, False), 40, "Wet"),
        SurveyRow(Category("folder", Mould.NONE, False), 40, "Dry"),
    )
    plan = luck.plan(_project(collection=rows, survey=survey))
    drawn = [luck.replication(plan, 1, n).mould for n in range(10)]
    assert all((mould[:100] > 0).sum() > 85 for mould in drawn)
    assert all((mould[100:] > 0).sum() < 15 for mould in drawn)


def test_items_of_series_that_share_evidence_share_one_belief() -> None:
    rows = (_row("A", "folder", 2_000), _row("B", "folder", 2_000))
    survey = (*_sample(8, 3),)
    plan = luck.plan(_project(collection=rows, survey=survey))
    mouldy = [luck.replication(plan, 1, n).mould > 0 for n in range(9)]
    apart = np.array([abs(m[:2_000].mean() - m[2_000:].mean()) for m in mouldy])
    # Each item's own luck makes them differ a little, the unknown mix not at all.
    assert apart.max() < stats.norm.ppf(0.9995) * math.sqrt(2 * 0.25 / 2_000)


# --- images, minutes, shares ------------------------------------------------------------------


@pytest.mark.parametrize("average", [0.3, 1.0, 2.5, 17.77])
def test_images_are_whole_and_add_up_to_the_average(average: float) -> None:
    row = _row("A", "folder", 40, images_low=average, images_per_item=average, images_high=average)
    _, drawn = _drawn(_project(collection=(row,), survey=()))
    assert drawn.images.sum() == math.floor(40 * average + 0.5)
    assert drawn.images.max() - drawn.images.min() <= 1


def test_images_that_are_made_again_are_rounded_up() -> None:
    row = _row("A", "folder", 8, images_low=10, images_per_item=10, images_high=10)
    _, drawn = _drawn(_project(collection=(row,), survey=()))
    assert drawn.again_images.tolist() == [3] * 8  # a quarter of 10


def test_averages_are_drawn_from_the_pert_shape_once_a_row_and_future() -> None:
    task = _time(Stage.REBOXING, 5.0, average=Estimate(2.0, 5.0, 20.0), scatter=0.0)
    plan = luck.plan(_quick(collection=(_row("A", "folder", 3),), survey=(), task_times=(task,)))
    drawn = [luck.replication(plan, 1, n).base_seconds[:, Stage.REBOXING] for n in range(600)]
    assert all(np.unique(seconds).size == 1 for seconds in drawn)
    minutes = np.array([seconds[0] for seconds in drawn]) / 60.0
    minimum, width, alpha, beta = task.average.beta
    expected = stats.beta(alpha, beta, minimum, width)
    # Kolmogorov-Smirnov at 0.1 %.
    assert stats.kstest(expected.cdf(minutes), "uniform").pvalue > 0.001
    # By the definition of low and high a twentieth lies outside on each side.
    outside = np.array([(minutes < 2.0).mean(), (minutes > 20.0).mean()])
    assert (np.abs(outside - 0.05) < stats.norm.ppf(0.9995) * math.sqrt(0.05 * 0.95 / 600)).all()


def test_an_items_scatter_has_mean_one_and_the_given_coefficient_of_variation() -> None:
    row = _row("A", "folder", 20_000)
    task = _time(Stage.REBOXING, 5.0, average=Estimate.known(5.0), scatter=0.5)
    _, drawn = _drawn(_project(collection=(row,), survey=(), task_times=(task,)))
    minutes = drawn.base_seconds[:, Stage.REBOXING] / 300.0
    assert abs(minutes.mean() - 1.0) < stats.norm.ppf(0.9995) * 0.5 / math.sqrt(20_000)
    assert (
        stats.kstest(np.log(minutes), "norm", (-math.log(1.25) / 2, math.sqrt(math.log(1.25))))[1]
        > 0.001
    )


def _in_a_row(name: str, project: Project) -> Any:
    return getattr(_drawn(project)[1], name)


@pytest.mark.parametrize("name", ["rejections", "rounds"])
def test_the_kth_time_in_a_row_comes_when_one_uniform_is_below_the_share_to_the_k(
    name: str,
) -> None:
    project = _project(
        collection=(_row("A", "folder", 20_000),),
        survey=(),
        drying=Drying(still_damp=share(0.4)),
        checking=Checking(1.0, share(0.4), 0.25),
        outcomes=Outcomes(),
    )
    times = _in_a_row(name, project) - (1 if name == "rounds" else 0)
    column = drawing.REJECTED if name == "rejections" else drawing.STILL_DAMP
    drawn = luck.stream(1, 0, "uniforms", "A", "folder").random((20_000, drawing.UNIFORMS))
    uniform = drawn[:, column]
    for k in range(1, 8):
        assert np.array_equal(times >= k, uniform < 0.4**k)
        half = stats.norm.ppf(0.9995) * math.sqrt(0.4**k * (1 - 0.4**k) / 20_000)
        assert abs((times >= k).mean() - 0.4**k) < half


def _damp(still: float) -> Replication:
    survey = (SurveyRow(Category("folder", Mould.ACTIVE, False), 20_000),)
    project = _quick(
        collection=(_row("A", "folder", 20_000),),
        survey=survey,
        task_times=(_time(Stage.DRYING, 4.0, average=Estimate.known(4.0), scatter=0.5),),
        drying=Drying(still_damp=share(still)),
    )
    return _drawn(project)[1]


def test_each_round_has_its_own_scatter_with_mean_one_unrelated_to_the_round_before() -> None:
    drawn = _damp(0.5)
    sigma = math.sqrt(math.log(1.25))
    z = (np.log(drawn.round_days / 4.0) + sigma * sigma / 2.0) / sigma
    for number in range(5):
        own = z[drawn.rounds > number]
        assert len(own) > 1_000
        assert stats.kstest(own[:, number], "norm").pvalue > 0.001
        if number:
            related = np.corrcoef(own[:, number - 1], own[:, number])[0, 1]
            assert abs(related) < stats.norm.ppf(0.9995) / math.sqrt(len(own))


def test_another_share_still_damp_keeps_the_days_of_each_round() -> None:
    few, many = _damp(0.2), _damp(0.6)
    for number in range(few.round_days.shape[1]):
        both = (few.rounds > number) & (many.rounds > number)
        assert both.sum() == (few.rounds > number).sum()
        assert np.array_equal(few.round_days[both, number], many.round_days[both, number])


def test_a_share_of_none_rejects_nothing_and_a_share_of_all_rejects_for_ever() -> None:
    never = _project(checking=Checking(1.0, share(0.0), 0.25))
    always = _project(checking=Checking(1.0, share(1.0), 0.25))
    assert (_in_a_row("rejections", never) == 0).all()
    imaged = _in_a_row("applies", always)[:, Stage.IMAGING]
    assert (_in_a_row("rejections", always)[imaged] >= 10**6).all()


def test_nothing_is_rejected_where_imaging_is_off() -> None:
    project = _project(
        checking=Checking(1.0, share(0.9), 0.25), stages_off=frozenset({Stage.IMAGING})
    )
    assert (_in_a_row("rejections", project) == 0).all()


def test_a_larger_share_checks_the_same_items_and_more() -> None:
    def checked(of: float) -> Any:
        project = _project(checking=Checking(of, share(0.0), 0.25), outcomes=Outcomes())
        return _in_a_row("applies", project)[:, Stage.CHECKING]

    few, many = checked(0.2), checked(0.6)
    assert (few <= many).all()
    assert 0 < few.sum() < many.sum() < len(many)


# --- which stages apply -----------------------------------------------------------------------


def test_stages_apply_to_the_items_that_the_rules_name() -> None:
    lots = [
        Lot(1, Mould.ACTIVE, bound=True),
        Lot(1, Mould.INACTIVE),
        Lot(1, red_rot=True, bound=True),
        Lot(1),
    ]
    tasks = [per_item(s.name.lower(), 5) for s in HANDLED_STAGES if s is not Stage.DESCRIBING]
    project = small_project(
        lots, tasks, [person("AB", EVERYTHING)], checking=Checking(1.0, share(0.0), 0.25)
    )
    _, drawn = _drawn(project)
    told = [[Stage(int(s)).name.lower() for s in np.flatnonzero(row)] for row in drawn.applies]
    last = ["cleaning", "imaging", "checking", "reboxing"]
    assert told == [
        ["receiving", "quarantine", "drying", "covers", *last],
        ["receiving", "quarantine", *last],
        ["receiving", "covers", *last],
        ["receiving", *last],
    ]


def test_a_category_with_no_minutes_skips_the_stage() -> None:
    tasks = [
        per_item("cleaning", 5),
        per_item("cleaning", 0, mould=Mould.NONE, red_rot=False),
        per_item("drying", 0, material="volume"),
    ]
    project = small_project(
        [Lot(1, Mould.ACTIVE), Lot(1)], tasks, [person("AB", "cleaning;drying")]
    )
    applies = _drawn(project)[1].applies
    assert applies[:, Stage.CLEANING].tolist() == [True, False]
    assert not applies[:, Stage.DRYING].any()


def test_items_that_cannot_be_imaged_are_neither_imaged_nor_checked() -> None:
    drawn = _drawn(_project(outcomes=Outcomes(share(0.3), share(0.3))))[1]
    assert drawn.not_imaged.any()
    assert not (drawn.not_imaged & drawn.set_aside).any()
    assert not drawn.applies[drawn.not_imaged][:, [Stage.IMAGING, Stage.CHECKING]].any()


# --- practice and working time ----------------------------------------------------------------


def test_practice_multiplies_minutes_at_each_doubling() -> None:
    # Crawford's unit curve with N0 = 100: (1 + N/N0)^log2(0.85).
    project = _project(time=WorkingTime(practice=share(0.85)))
    practice = _drawn(project)[1].practice
    assert practice[Stage.DRYING].tolist() == [1.0] * practice.shape[1]
    more = luck.replication(
        replace(luck.plan(project), finished_before=np.full(9, 700, dtype=np.int64)), 1, 0
    ).practice
    assert more[Stage.IMAGING, [0, 100, 300, 700]] == pytest.approx([1.0, 0.85, 0.85**2, 0.85**3])


def test_what_nobody_knows_is_drawn_once_for_the_whole_future() -> None:
    drawn = _drawn(_project())[1]
    assert np.unique(drawn.delivered_share).size == 1
    other = _drawn(_project(), index=1)[1]
    assert drawn.delivered_share[0] != other.delivered_share[0]


def _one_rota(project: Project, rows: tuple[TeamRow, ...]) -> Replication:
    return _drawn(replace(project, team=rows))[1]


def test_a_second_row_of_a_persons_rota_keeps_the_absences_of_the_dates() -> None:
    project = _project()
    change = project.grant.start + timedelta(days=100)
    whole = project.team[0]
    halves = (
        replace(whole, end=change - timedelta(days=1)),
        replace(whole, start=change, begins=8 * 3600),
    )
    one, two = _one_rota(project, (whole,)), _one_rota(project, halves)
    assert ((one.shift_end > one.shift_begin) == (two.shift_end > two.shift_begin)).all()


@pytest.mark.parametrize("spell", [1.0, 2.5, 40.0])
def test_all_persons_are_absent_as_each_of_them_would_be_alone(spell: float) -> None:
    project = _project(
        time=WorkingTime(
            delivered_share=share(1.0),
            absence_days_a_year=Estimate.known(90.0),
            absence_spell_days=spell,
        ),
        observe_public_holidays=False,
    )
    plan, drawn = _drawn(project)
    chance = working_time.absence_probability(90.0, spell, 261.0)
    first = project.grant.start.toordinal()
    for p, name in enumerate(project.persons):
        key = int.from_bytes(_hash(f"1|0|absence|{name}")[:8], "little")
        words = _split_mix(key, 2 * first, 2 * project.days)
        dates = np.array([((word >> 12) + 0.5) * 2.0**-52 for word in words]).reshape(-1, 2)
        working = plan.rota.hours[p] > 0.0
        absent = drawing.absences(working, dates[:, 0], dates[:, 1], chance, spell)
        assert absent.any()
        assert np.array_equal(drawn.shift_end[p] > 0, working & ~absent)


# --- what is sent, and what an engine gets ------------------------------------------------------


def test_a_plan_that_was_sent_draws_the_same_futures_and_takes_no_more_room_once_used() -> None:
    plan = luck.plan(_project())
    fresh = pickle.dumps(plan)
    before = luck.replication(plan, 1, 3)
    assert len(pickle.dumps(plan)) == pytest.approx(len(fresh), rel=0.05)
    after = luck.replication(pickle.loads(fresh), 1, 3)
    _same(before, after, tuple(n for n in vars(before) if n not in ("settings", "start")))


def test_a_plan_of_many_items_is_not_much_larger_than_one_of_few() -> None:
    few, many = (
        luck.plan(_project(collection=(_row("A", "folder", n),), survey=_sample(8, 3)))
        for n in (100, 100_000)
    )
    assert len(pickle.dumps(many)) < len(pickle.dumps(few)) + 100


def test_every_array_is_contiguous_and_of_its_type() -> None:
    flags = "red_rot bound applies set_aside not_imaged mould_work trained"
    floats = (
        "base_seconds again_seconds round_days practice week_factor month_factor delivered_share"
    )
    kinds: dict[str, Any] = dict.fromkeys(flags.split(), np.bool_)
    kinds |= dict.fromkeys(floats.split(), np.float64)
    kinds |= {"mould": np.int8, "preferences": np.int8}
    for project in (_project(), _quick(survey=())):
        for name, array in vars(_drawn(project)[1]).items():
            if name not in ("settings", "start"):
                assert array.dtype == kinds.get(name, np.int64), name
                assert array.flags.c_contiguous, name


def test_the_project_begins_on_a_monday_in_these_tests_of_hand_made_tables() -> None:
    assert MONDAY.weekday() == 0
