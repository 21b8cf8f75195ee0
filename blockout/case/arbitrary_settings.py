"""What arbitrary blockout is asked to be."""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter
from blockout.case.settings import Length, Settings, field_of
from blockout.case.values import Number

ARBITRARY_DRAFT = Parameter(
    "draft_deg",
    "deg",
    "How much the wall of arbitrary blockout leans outward from the path, wider toward the "
    "gingiva, so that a duplicating mould comes off.",
    3.0, 0.0, 10.0,
    "ours", "smoothed by hand in wax; a mould comes off any wall that does not lean inward",
)  # fmt: skip
MOULD_WALL = Parameter(
    "mould_wall_mm",
    "mm",
    "Wall of the flexible mould in which the model is duplicated: an undercut that remains is "
    "measured against it.",
    5.0, 1.0, 50.0,
    "common practice", "5 to 10 mm around the model, no source; that a wall is 5 times the "
    "deepest undercut, never under 3 times, is published",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (ARBITRARY_DRAFT, MOULD_WALL)


class ArbitrarySettings(Settings):
    """Arbitrary blockout: all undercut that neither parallel blockout nor a ledge covers; and the
    wall of the mould that must come off what remains.
    """

    draft_deg: Number = field_of(ARBITRARY_DRAFT)
    mould_wall_mm: Length = field_of(MOULD_WALL)
