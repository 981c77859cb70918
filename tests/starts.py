"""Where everything is when a future begins, written by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from forecast.beginning import Start
from forecast.luck import Replication
from forecast.rules import NO_STAGE
from forecast.stages import N_STAGES

__all__ = ["begun", "nothing_yet"]


def nothing_yet(luck: Replication) -> Start:
    """Before anything has happened: every item is still to come."""
    items, days = len(luck.arrival), len(luck.week_of_day)

    def zeros(kind: Any = np.int64) -> Any:
        return np.zeros(items, dtype=kind)

    return Start(
        stage=np.full(items, NO_STAGE, dtype=np.int8),
        since=zeros(),
        passed=zeros(np.int16),
        shelf=zeros(np.bool_),
        dryer=zeros(np.bool_),
        due_day=np.full(items, -1),
        rounds=zeros(),
        rejections=luck.rejections.copy(),
        again=zeros(np.bool_),
        tool_sets_clean_at=np.zeros(0, dtype=np.int64),
        ended=np.full(items, -1, dtype=np.int8),
        done_by_day=np.zeros(days, dtype=np.int64),
        weekly_items=np.zeros((int(luck.week_of_day[-1]) + 1, N_STAGES), dtype=np.int64),
        images=0,
        reimaged=0,
    )


def begun(luck: Replication, **fields: Any) -> Replication:
    """The same luck, with some fields of where everything is; lists become arrays."""
    empty = nothing_yet(luck)
    given: dict[str, Any] = {
        name: value
        if isinstance(value, int)
        else np.asarray(value, dtype=getattr(getattr(empty, name), "dtype", np.int64))
        for name, value in fields.items()
    }
    return replace(luck, start=replace(empty, **given))
