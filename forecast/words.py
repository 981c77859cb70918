"""How the reports say a probability, a date, a range and a number: one way each.

Nothing here depends on the machine's locale, and nothing ever claims certainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from forecast.units import half_up

__all__ = [
    "IF_TEAM_STAYS",
    "MONTHS",
    "hours",
    "joined",
    "long_date",
    "money",
    "month_year",
    "never",
    "number",
    "odds",
    "plural",
    "range_of_dates",
    "range_of_numbers",
    "reached_date",
]

MONTHS: tuple[str, ...] = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
IF_TEAM_STAYS = "if the team stays on"


def odds(probability: float, futures: int = 100, *, exact: bool = False) -> str:
    """A probability as people say it: never certain, never impossible.

    Args:
        probability: from 0 to 1.
        futures: how many simulated futures it was counted in. Fewer than 100 cannot show that
            something happens in more than 99 of 100, so the ends are worded by that number.
        exact: in hundredths throughout, where values stand beside each other.

    Raises:
        ValueError: the probability does not lie from 0 to 1, or there are no futures.

    >>> odds(0.83), odds(0.934), odds(1.0), odds(0.0), odds(1.0, 20)
    ('8 in 10', '93 in 100', 'over 99 in 100', 'fewer than 1 in 100', 'over 19 in 20')
    """
    if not 0.0 <= probability <= 1.0:
        raise ValueError(f"a probability lies from 0 to 1, not {probability}")
    if futures < 1:
        raise ValueError("a probability is counted in at least one future")
    out_of = max(2, min(100, futures))
    if probability > 1.0 - 1.0 / out_of + 1e-9:
        return f"over {out_of - 1} in {out_of}"
    if probability < 1.0 / out_of - 1e-9:
        return f"fewer than 1 in {out_of}"
    hundredths = half_up(probability * 100.0)
    if not exact and (10 < hundredths < 90 or hundredths % 10 == 0):
        return f"{half_up(hundredths / 10.0)} in 10"
    return f"{hundredths} in 100"


def long_date(day: date) -> str:
    """A date in words.

    >>> long_date(date(2027, 6, 5))
    '5 June 2027'
    """
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def month_year(day: date) -> str:
    """A month in words.

    >>> month_year(date(2027, 6, 5))
    'June 2027'
    """
    return f"{MONTHS[day.month - 1]} {day.year}"


def never(horizon: date) -> str:
    """What stands in the place of a date that no simulated future reached."""
    return f"not by the horizon ({long_date(horizon)})"


def reached_date(day: date | None, grant_end: date, horizon: date) -> str:
    """A date that was reached, with what must be said beyond the grant's end; None: never.

    >>> reached_date(date(2027, 7, 1), date(2027, 6, 30), date(2029, 6, 30))
    '1 July 2027, if the team stays on'
    """
    if day is None:
        return never(horizon)
    return long_date(day) if day <= grant_end else f"{long_date(day)}, {IF_TEAM_STAYS}"


def range_of_dates(first: date | None, last: date | None, horizon: date) -> str:
    """From one date to another; None is later than any date.

    >>> range_of_dates(date(2027, 6, 1), date(2027, 6, 9), date(2029, 6, 30))
    'between 1 June 2027 and 9 June 2027'
    """
    if first is None:
        return never(horizon)
    if last is None:
        return f"on {long_date(first)} or later, possibly {never(horizon)}"
    if first == last:
        return f"on {long_date(first)}"
    return f"between {long_date(first)} and {long_date(last)}"


def number(value: float, decimals: int = 0) -> str:
    """A number with thousands separators, halves upwards.

    >>> number(2400), number(2.25, 1)
    ('2,400', '2.3')
    """
    scale = 10**decimals
    return f"{half_up(value * scale) / scale:,.{decimals}f}"


def plural(value: int, one: str, many: str = "") -> str:
    """A count and its noun.

    >>> plural(1, "item"), plural(2400, "item"), plural(2, "person", "people")
    ('1 item', '2,400 items', '2 people')
    """
    noun = one if value == 1 else (many or f"{one}s")
    return f"{number(value)} {noun}"


def money(amount: float, currency: str) -> str:
    """Money to the unit, with its currency.

    >>> money(12300.4, "GBP")
    '12,300 GBP'
    """
    return f"{'-' if round(amount) < 0 else ''}{number(abs(amount))} {currency}"


def range_of_numbers(low: float, high: float, decimals: int = 0) -> str:
    """From one number to another, or the one number.

    >>> range_of_numbers(1200, 1800), range_of_numbers(3, 3)
    ('1,200 to 1,800', '3')
    """
    first, last = number(low, decimals), number(high, decimals)
    return first if first == last else f"{first} to {last}"


def hours(seconds: float) -> str:
    """Seconds as hours and minutes, minutes half up.

    >>> hours(9_900)
    '2 h 45 min'
    """
    minutes = half_up(seconds / 60.0)
    return f"{minutes // 60:,d} h {minutes % 60:02d} min"


def joined(parts: Sequence[str]) -> str:
    """Some words as a list in a sentence.

    >>> joined(["covers", "cleaning", "imaging"])
    'covers, cleaning and imaging'
    """
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"
