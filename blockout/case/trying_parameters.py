"""Numbers of trying a framework in."""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter

ALLOWANCE = Parameter(
    "allowance_mm",
    "mm",
    "Metal may lie this far inside the blocked-out cast and still counts as touching it.",
    0.03, 0.001, 0.5,
    "ours", "the scatter of a scan and of a contact, a few hundredths of a millimetre",
)  # fmt: skip
TILT_WITHIN = Parameter(
    "tilt_within_deg",
    "deg",
    "How far from the path other paths are tried.",
    20.0, 0.5, 45.0,
    "ours", "twice the tilt that is warned of",
)  # fmt: skip
TURN = Parameter(
    "turn_deg",
    "deg",
    "By this angle the framework is turned on the cast, every way, to see whether it still seats.",
    1.0, 0.0, 10.0,
    "ours", "1 degree is 0.5 mm at the far end of an arch from its middle",
)  # fmt: skip
GAP_WITHIN = Parameter(
    "gap_within_mm",
    "mm",
    "Gaps at rests and guiding planes are read where the framework is nearer than this.",
    1.0, 0.1, 3.0,
    "published", "the widest of the rest gaps measured in one clinical study was 0.83 mm",
)  # fmt: skip
REST_RADIUS = Parameter(
    "rest_radius_mm",
    "mm",
    "How far around a rest's point the gap is read, square to the path.",
    0.75, 0.1, 3.0,
    "ours", "half the width of a small rest",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (ALLOWANCE, TILT_WITHIN, TURN, GAP_WITHIN, REST_RADIUS)
