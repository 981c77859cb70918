"""The stages that an item passes, in their order, and the places that some of them need."""

from __future__ import annotations

from enum import IntEnum

__all__ = [
    "HANDLED_STAGES",
    "N_PLACES",
    "N_STAGES",
    "PLACE_KEYS",
    "PRACTISED_STAGES",
    "STAGE_NAMES",
    "Place",
    "Stage",
]


class Stage(IntEnum):
    """The way of an item. The numbers are the order, and the engines compute with them."""

    RECEIVING = 0  # opening, looking, isolating; off unless minutes are given
    QUARANTINE = 1  # waiting on a shelf apart: nobody handles the item
    DRYING = 2  # only what was received with active mould
    COVERS = 3  # bound and dirty: the boards are photographed before anything is cleaned
    CLEANING = 4
    DESCRIBING = 5  # off unless minutes are given
    IMAGING = 6
    CHECKING = 7  # a share of the items
    REBOXING = 8


class Place(IntEnum):
    """What there are few of. One more of a place never changes an item's own luck."""

    SHELF = 0
    DRYER = 1
    BENCH = 2
    CAMERA = 3
    TOOL_SET = 4


N_STAGES = len(Stage)
N_PLACES = len(Place)
STAGE_NAMES: tuple[str, ...] = tuple(stage.name.lower() for stage in Stage)

# The keys of [places] in project.toml, and of the column `place` in places.csv.
PLACE_KEYS: tuple[str, ...] = (
    "quarantine_items",
    "drying_items",
    "cleaning_benches",
    "camera_stations",
    "tool_sets",
)

# Quarantine is time on a shelf; everything else needs somebody's hands.
HANDLED_STAGES: tuple[Stage, ...] = tuple(s for s in Stage if s is not Stage.QUARANTINE)

# At drying people only turn and look: nothing there gets faster with practice.
PRACTISED_STAGES: tuple[Stage, ...] = tuple(s for s in HANDLED_STAGES if s is not Stage.DRYING)
