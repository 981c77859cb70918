"""One item's way in words: what happened, when, to whom, and to nobody else."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from forecast import luck
from forecast.events import What
from forecast.items import Mould
from forecast.project import Project
from forecast.replicate import one_future
from forecast.trace import event_words, tale
from tests.small_projects import Lot, day, per_item, person, small_project

_MODELS = pytest.mark.parametrize("model", ["compiled", "readable"])


def _project(**changes: Any) -> Project:
    """A dormant bound volume with red rot, then two clean folders."""
    return small_project(
        [
            Lot(1, Mould.INACTIVE, red_rot=True, bound=True, images=12.0),
            Lot(2, material="folder", images=3.0),
        ],
        [per_item("cleaning", 30), per_item("reboxing", 5)],
        [person("AB", "cleaning;reboxing")],
        **changes,
    )


def _told(project: Project, item: int, model: str) -> list[str]:
    return tale(*one_future(project, None, 1, 0, model), item)


@_MODELS
def test_an_item_with_mould_is_followed_from_the_store_to_its_box(model: str) -> None:
    # Monday: the bench is the mouldy item's from 9:00. Clothing 10, cleaning 30, clearing 25
    # minutes; then, cleaning being AB's last stage and first preference, the two folders.
    heading, *steps = _told(_project(), 0, model)
    assert heading == (
        "Item 0 (1 of 3 in the order of work): volume of series S0, dormant mould, red rot, bound, "
        "12 images"
    )
    assert steps == [
        "  Mon 2026-01-05 00:00:00  item 0 is delivered",
        "  Mon 2026-01-05 00:00:00  item 0 waits for quarantine",
        "  Mon 2026-01-05 00:00:00  item 0 goes on shelf 0",
        "  Mon 2026-01-05 00:00:00  item 0 may leave quarantine",
        "  Mon 2026-01-05 00:00:00  item 0 waits for cleaning",
        "  Mon 2026-01-05 09:00:00  AB takes item 0 at cleaning",
        "  Mon 2026-01-05 09:40:00  AB finishes item 0 at cleaning",
        "  Mon 2026-01-05 09:40:00  item 0 leaves shelf 0",
        "  Mon 2026-01-05 09:40:00  item 0 waits for reboxing",
        "  Mon 2026-01-05 11:05:00  AB takes item 0 at reboxing",
        "  Mon 2026-01-05 11:10:00  AB finishes item 0 at reboxing",
        "  Mon 2026-01-05 11:10:00  item 0 is done",
    ]


@_MODELS
def test_an_item_that_does_not_end_by_the_horizon_is_said_to_be_on_its_way(model: str) -> None:
    nobody = replace(_project(), team=(person("AB", "cleaning"),))
    told = _told(nobody, 2, model)
    assert told[0].endswith("folder of series S1, no mould, 3 images")
    assert told[-2].endswith("item 2 waits for reboxing")
    assert told[-1] == f"  It has not ended by the horizon, {day(59).isoformat()}."


def test_the_years_are_told_apart() -> None:
    project = _project(deliveries=())
    plan = luck.plan(project, 0)
    drawn = luck.replication(plan, 1, 0)
    later = np.array([[400 * 86_400, What.DELIVERED, -1, 1, -1, -1]])
    assert "Tue 2027-02-09 00:00:00" in tale(plan, drawn, later, 1)[1]


def test_the_condition_is_that_of_the_future() -> None:
    plan, drawn, rows = one_future(_project())
    damp = replace(drawn, mould=np.full(3, Mould.ACTIVE, dtype=np.int8))
    assert "folder of series S1, growing mould, 3 images" in tale(plan, damp, rows, 1)[0]


@pytest.mark.parametrize("what", list(What))
def test_there_are_words_for_every_kind_of_event(what: What) -> None:
    who, words = event_words(np.array([0, what, 4, 1, 0, 2]))
    assert words
    assert "{" not in words
    assert who in (0, -1)


def test_words_are_of_a_person_or_of_nobody() -> None:
    assert event_words(np.array([0, What.FINISHED, 4, 7, 2, -1])) == (2, "finishes item 7")
    assert event_words(np.array([0, What.FINISHED, 1, 7, -1, -1])) == (
        -1,
        "item 7 may leave quarantine",
    )
