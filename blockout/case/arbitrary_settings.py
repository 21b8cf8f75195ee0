"""What arbitrary blockout is asked to be."""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter
from blockout.case.settings import Settings, field_of
from blockout.case.values import Number

ARBITRARY_DRAFT = Parameter(
    "draft_deg",
    "deg",
    "How much the wall of arbitrary blockout leans outward from the path, wider toward the "
    "gingiva, so that a duplicating mould comes off.",
    3.0, 0.0, 10.0,
    "ours", "smoothed by hand in wax; a mould comes off any wall that does not lean inward",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (ARBITRARY_DRAFT,)


class ArbitrarySettings(Settings):
    """Arbitrary blockout: all undercut that neither parallel blockout nor a ledge covers."""

    draft_deg: Number = field_of(ARBITRARY_DRAFT)
