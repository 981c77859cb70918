"""Whole seconds and whole days: the only places where a quantity is rounded."""

from __future__ import annotations

import math

__all__ = [
    "SECONDS_PER_DAY",
    "SECONDS_PER_HOUR",
    "half_up",
    "seconds_from_hours",
    "seconds_from_minutes",
    "whole_days",
]

SECONDS_PER_HOUR = 3_600
SECONDS_PER_DAY = 86_400


def half_up(value: float) -> int:
    """Round to the nearest whole number, halves upwards (Python's ``round`` goes to even)."""
    return math.floor(value + 0.5)


def seconds_from_minutes(minutes: float) -> int:
    """Whole seconds of some minutes, half up."""
    return half_up(minutes * 60.0)


def seconds_from_hours(hours: float) -> int:
    """Whole seconds of some hours, half up."""
    return half_up(hours * 3_600.0)


def whole_days(days: float) -> int:
    """Days rounded up, at least one.

    A billionth is taken off first, so that 3.0000000001 days of floating-point dust stay 3.
    """
    return max(1, math.ceil(days - 1e-9))
