"""The event record: what an engine writes down, one row of six integers an event.

Columns are ``time`` (seconds since 00:00 of the grant's start), ``what`` (:class:`What`),
``stage``, ``item``, ``person`` and ``place`` (a number among places of its kind); -1 where a
column does not apply. Rows stand in the order in which things happen. Everything that is ever
reported of a future is computed from these rows and from the tables that the engine was given.

A future that begins in the middle of a project first says what it finds, before anything happens:
each item that is at a stage, in the order of items, with the shelf and the drying place that it
holds; then each tool set that is drying. Of what had left or is still to come there is no row.
"""

from __future__ import annotations

from enum import IntEnum

__all__ = ["COLUMNS", "NOBODY", "What"]

COLUMNS = ("time", "what", "stage", "item", "person", "place")
NOBODY = -1  # no item, person or place in this row


class What(IntEnum):
    """What happened."""

    DELIVERED = 0  # item comes from the store
    WAITS = 1  # item is ready for `stage` and begins to wait there
    SHELF_TAKEN = 2  # item goes on quarantine shelf `place`
    SHELF_FREED = 3
    ROUND_BEGINS = 4  # item begins a round in drying place `place`
    ROUND_DUE = 5  # the round is over at 00:00: the item waits for attention
    DRYER_FREED = 6
    SESSION_BEGINS = 7  # person begins at `stage`, at station `place`; clothing comes first
    TAKEN = 8  # person takes up item: its seconds are fixed now
    EXPOSURE_BEGINS = 9  # first mouldy item in hand
    PUT_BACK = 10  # handling stopped with the item unfinished
    FINISHED = 11  # item's work at `stage` is done (quarantine: its days are over)
    REJECTED = 12  # checking sends the item back to imaging; follows FINISHED
    CLEARING_BEGINS = 13
    EXPOSURE_ENDS = 14
    SESSION_ENDS = 15
    TOOL_SET_TAKEN = 16  # `place` is the set's number
    TOOL_SET_CLEAN = 17
    DONE = 18  # the item's last stage is finished
    SET_ASIDE = 19  # the item leaves for a specialist
    NOT_IMAGED = 20  # in place of DONE: treated and reboxed, too fragile to be imaged
    FOUND = 21  # item is at `stage` when the simulation begins
    ON_SHELF = 22  # and on quarantine shelf `place`, whatever the stage
    IN_DRYER = 23  # and in drying place `place`: its round goes on, or waits for attention
    SET_DRIES = 24  # tool set `place` is drying when the simulation begins
