"""How far a major connector's border stays from the gingival margin."""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter
from blockout.case.settings import Length, Settings, field_of

UPPER_BORDER_FROM_MARGIN = Parameter(
    "upper_from_margin_mm",
    "mm",
    "A border of an upper major connector nearer to a gingival margin than this is warned of.",
    6.0, 0.0, 15.0,
    "published", "6 mm or more",
)  # fmt: skip
LOWER_BORDER_FROM_MARGIN = Parameter(
    "lower_from_margin_mm",
    "mm",
    "A border of a lower major connector nearer to a gingival margin than this is warned of.",
    3.0, 0.0, 15.0,
    "published", "3 or 4 mm or more; sources differ",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (UPPER_BORDER_FROM_MARGIN, LOWER_BORDER_FROM_MARGIN)


class BorderSettings(Settings):
    """From where on a connector's border is too near to a gingival margin."""

    upper_from_margin_mm: Length = field_of(UPPER_BORDER_FROM_MARGIN)
    lower_from_margin_mm: Length = field_of(LOWER_BORDER_FROM_MARGIN)
