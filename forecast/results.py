"""Machine-readable results: the JSON summary and the draws behind it."""

from __future__ import annotations

import csv
import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from forecast.outcome import (
    NOT_BY_HORIZON,
    Futures,
    finish_odds,
    odds_interval,
    order_statistic_interval,
    promise_odds,
    quantile,
    reached,
)
from forecast.stages import N_STAGES, PLACE_KEYS, STAGE_NAMES
from forecast.units import SECONDS_PER_HOUR

__all__ = [
    "PROMISE_LEVELS",
    "QUANTILES",
    "promise_dates",
    "summary",
    "write_draws",
    "write_json",
    "write_values",
]

QUANTILES = (0.025, 0.05, 0.1, 0.2, 0.25, 0.5, 0.75, 0.8, 0.9, 0.95, 0.975)
PROMISE_LEVELS = (0.5, 0.8, 0.9, 0.95)


def _iso(day: date | None) -> str | None:
    return None if day is None else day.isoformat()


def _quantiles(values: NDArray[Any]) -> dict[str, int]:
    return {str(q): int(quantile(values, q)) for q in QUANTILES}


def _mean(values: NDArray[Any]) -> float | None:
    """The mean over the futures in which there was anything to measure."""
    measured = values[~np.isnan(values)]
    return round(float(measured.mean()), 6) if len(measured) else None


def promise_dates(futures: Futures) -> tuple[date, ...]:
    """Each month's last day from the first simulated month on, up to and with the grant's end."""
    days = [futures.grant_end]
    first = futures.first_day
    year, month = first.year, first.month
    while True:
        year, month = (year + 1, 1) if month == 12 else (year, month + 1)
        last = date.fromordinal(date(year, month, 1).toordinal() - 1)
        if last >= futures.grant_end:
            return tuple(sorted(days))
        days.append(last)


def _promise_table(futures: Futures) -> list[dict[str, Any]]:
    """The number reached or passed by each date in 50, 80, 90 and 95 % of the futures."""
    rows: list[dict[str, Any]] = []
    for day in promise_dates(futures):
        column = min(futures.project.day_number(day), futures.project.days - 1)
        done = futures.done_by_day[:, column]
        rows.append(
            {"date": day.isoformat(), **{str(q): int(reached(done, q)) for q in PROMISE_LEVELS}}
        )
    return rows


def _weeks_told(futures: Futures) -> range:
    """From the first simulated week to the last in which anything still changes."""
    first = next(
        (n for n, week in enumerate(futures.weeks) if (futures.first_day - week).days < 7), 0
    )
    changes = np.flatnonzero(np.diff(futures.weekly_items, axis=1).any(axis=(0, 2)))
    return range(first, int(changes.max(initial=first - 1)) + 2 if len(changes) else first + 1)


def _weekly(futures: Futures) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for week in _weeks_told(futures):
        for stage in range(N_STAGES):
            items = futures.weekly_items[:, week, stage]
            if futures.weekly_items[:, -1, stage].any():
                rows.append(
                    {
                        "week": futures.weeks[week].isoformat(),
                        "stage": STAGE_NAMES[stage],
                        "items": _quantiles(items),
                    }
                )
    return rows


def _exposure(futures: Futures) -> dict[str, dict[str, float]]:
    """Each person's mean hours and days of exposure in weeks that have any."""
    told: dict[str, dict[str, float]] = {}
    for number, person in enumerate(futures.project.persons):
        seconds = futures.weekly_exposure[:, :, number]
        days = futures.exposure_days[:, :, number]
        weeks = max(1, int((days > 0).sum()))
        told[person] = {
            "hours_a_week": round(float(seconds.sum()) / SECONDS_PER_HOUR / weeks, 3),
            "days_a_week": round(float(days.sum()) / weeks, 3),
        }
    return told


def _record(futures: Futures) -> dict[str, Any]:
    """What the forecast knows from the record; nothing where it was made from the plan alone."""
    if not futures.weeks_on_record:
        return {}
    share = futures.mostly_first_estimates / max(1, len(futures.learnt))
    return {
        "record": {
            "weeks": futures.weeks_on_record,
            "last_week": _iso(futures.last_week),
            "still_first_estimates": round(share, 6) if futures.learnt else 1.0,
        }
    }


def summary(futures: Futures) -> dict[str, Any]:
    """The forecast as plain values, with the names that other tools rely on (README)."""
    project, finish = futures.project, futures.finish_day
    by_end, promise = finish_odds(futures), promise_odds(futures)
    end = min(futures.end_day, project.days - 1)
    return {
        "schema": 1,
        "project": project.title,
        "as_of": futures.as_of.isoformat(),
        "replications": futures.replications,
        "seed": futures.seed,
        "horizon": project.grant.horizon.isoformat(),
        "warnings": [str(warning) for warning in project.warnings],
        "assumed": list(project.defaults_used),
        "finish": {
            "by_grant_end": round(by_end, 6),
            "not_by_horizon": round(float(np.mean(finish == NOT_BY_HORIZON)), 6),
            "dates": {str(q): _iso(futures.date_of(int(quantile(finish, q)))) for q in QUANTILES},
        },
        "promise": {
            "items": project.grant.items_promised,
            "by_grant_end": round(promise, 6),
            "table": _promise_table(futures),
            "no_longer_from": _iso(futures.no_longer_from),
        },
        "items_by_grant_end": _quantiles(futures.done_by_day[:, end]),
        "weekly": _weekly(futures),
        "places": {
            key: {"busy": _mean(futures.place_busy[:, place])}
            for place, key in enumerate(PLACE_KEYS)
        },
        "waiting": {
            name: {
                "items": _mean(futures.waiting_items[:, stage]),
                "days": _mean(futures.waiting_days[:, stage]),
            }
            for stage, name in enumerate(STAGE_NAMES)
            if not np.isnan(futures.waiting_days[:, stage]).all()
        },
        "exposure": _exposure(futures),
        "monte_carlo": {
            "confidence": 0.95,
            "finish_by_grant_end": [round(x, 6) for x in odds_interval(by_end, len(finish))],
            "promise_by_grant_end": [round(x, 6) for x in odds_interval(promise, len(finish))],
            "finish_dates": {
                str(q): [
                    _iso(futures.date_of(int(day))) for day in order_statistic_interval(finish, q)
                ]
                for q in QUANTILES
            },
        },
        "input_sha256": project.input_sha256,
        **_record(futures),
    }


def write_json(futures: Futures, path: Path) -> None:
    """Write :func:`summary`; the same futures give the same bytes."""
    write_values(summary(futures), path)


def write_values(values: dict[str, Any], path: Path) -> None:
    """Write plain values as JSON, beside and then renamed: a cut run leaves no half file."""
    part = path.with_name(path.name + ".part")
    text = json.dumps(values, indent=1, ensure_ascii=False) + "\n"
    part.write_text(text, encoding="utf-8", newline="\n")
    part.replace(path)


def write_draws(futures: Futures, path: Path) -> None:
    """Write draws.csv: replication, finish (blank: not by the horizon), week, stage, items."""
    part = path.with_name(path.name + ".part")
    weeks = _weeks_told(futures)
    with part.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["replication", "finish", "week", "stage", "items"])
        for number, finish in enumerate(futures.finish_day.tolist()):
            day = _iso(futures.date_of(finish)) or ""
            items = futures.weekly_items[number].tolist()
            writer.writerows(
                [number, day, futures.weeks[week].isoformat(), STAGE_NAMES[stage], count]
                for week in weeks
                for stage, count in enumerate(items[week])
            )
    part.replace(path)
