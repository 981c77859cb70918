"""Items: what they are made of, the condition they were received in, and where they stand."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import IntEnum

__all__ = ["MOULD_NAMES", "Category", "CollectionRow", "Delivery", "Mould"]


class Mould(IntEnum):
    """Mould as received. Dormant mould is a dry powder; growing mould is moist and smears."""

    NONE = 0
    INACTIVE = 1
    ACTIVE = 2


MOULD_NAMES: tuple[str, ...] = tuple(mould.name.lower() for mould in Mould)


@dataclass(frozen=True, order=True)
class Category:
    """Material x mould x red rot, as received."""

    material: str
    mould: Mould
    red_rot: bool

    @property
    def affected(self) -> bool:
        """Whether there is anything to clean off for the sake of people or other items."""
        return self.mould is not Mould.NONE or self.red_rot


@dataclass(frozen=True)
class CollectionRow:
    """One material in one series; rows stand in the order of work.

    ``images_low``, ``images_per_item`` and ``images_high`` are the average number of images an
    item; three equal numbers mean that it is known.
    """

    series: str
    material: str
    items: int
    images_per_item: float
    bound: bool
    images_low: float
    images_high: float


@dataclass(frozen=True)
class Delivery:
    """Items of one series that come from the store at 00:00 of a date."""

    day: date
    series: str
    items: int
