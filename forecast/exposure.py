"""Limits that keep people from too much mould, the cautions, and what neither can promise.

The limits are planning figures. Nothing in this package raises one, and no report names one as
a way to gain time.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ANY_SEVEN_DAYS", "CALENDAR_WEEK", "CAUTIONS", "BreathingProtection", "ExposureLimits"]

ANY_SEVEN_DAYS = 0
CALENDAR_WEEK = 1


@dataclass(frozen=True)
class ExposureLimits:
    """For each person: exposure a day, and days with any exposure a week.

    Exposure is the time in sessions with mouldy items, from the first item in hand to the end of
    clearing; putting protective clothing on and off is not exposure. A day with more than no
    exposure is an exposure day. With ``any-7-days`` a person may begin exposure on a day that
    already is one, or when the six days before it hold fewer exposure days than the limit; with
    ``calendar`` the days are counted from Monday to Sunday.
    """

    hours_per_day: float = 3.0
    days_per_week: int = 3
    week: str = "any-7-days"
    approved_by: str = ""

    @property
    def week_rule(self) -> int:
        """The rule as the number that the engines use."""
        return CALENDAR_WEEK if self.week == "calendar" else ANY_SEVEN_DAYS


@dataclass(frozen=True)
class BreathingProtection:
    """How long a mask may be worn in one session, and how long to rest from it after.

    Minutes; 0 means no limit. The two are independent. The rest holds for sessions with mouldy
    items only: other work may fill it.
    """

    wear_minutes: float = 0.0
    rest_minutes: float = 0.0


CAUTIONS: tuple[str, ...] = (
    (
        "Mould, leather dust from red rot, solvents and drying agents can harm people. The limits"
        " in this plan are planning defaults: keeping to them does not show that work is safe. "
        "The employer's own assessment, occupational health and local law come first."
    ),
    (
        "Stop and ask a specialist about sewage or droppings, film that is sticky or smells sour,"
        " unknown powders or old pesticide, wet or stuck items, and whenever anyone feels unwell."
    ),
    (
        "Ethanol is for tools and surfaces, never for items; keep it away from sparks and motors."
        " Blue indicating silica gel holds a cobalt salt: use another kind."
    ),
    "Who may not work with mould, and why, is between that person and occupational health.",
)
