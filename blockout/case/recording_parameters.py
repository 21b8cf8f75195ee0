"""The choosable numbers of recording a path and of telling how sure it is; nothing heavy, so that
the command line may show them.
"""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter

# --- marks and lines -----------------------------------------------------------------------------
READING_ERROR = Parameter(
    "reading_error_mm",
    "mm",
    "By how much the height of one mark may be read wrong, up or down.",
    0.25, 0.0, 2.0,
    "ours", "half the width of a pencil line",
)  # fmt: skip
KEEP_AWAY = Parameter(
    "keep_away_mm",
    "mm",
    "Least distance of a mark from arms, reliefs, beads and the border of the scan.",
    2.0, 0.0, 10.0,
    "ours", "a mark and the finger that draws it stay clear of the design",
)  # fmt: skip
LEAST_SPAN = Parameter(
    "least_span_mm",
    "mm",
    "Least height of the triangle of the three marks; a narrower one is refused.",
    15.0, 2.0, 60.0,
    "ours", "one mark read wrong by 0.25 mm then tilts the cast by 1 degree",
)  # fmt: skip
MARK_DIAMETER = Parameter(
    "mark_diameter_mm",
    "mm",
    "Width of an engraved mark.",
    1.2, 0.4, 4.0,
    "ours", "wide enough to print, small enough for tissue",
)  # fmt: skip
MARK_DEPTH = Parameter(
    "mark_depth_mm",
    "mm",
    "Depth of an engraved mark, along the path.",
    0.4, 0.1, 2.0,
    "ours", "several layers of a print",
)  # fmt: skip
LINE_WIDTH = Parameter(
    "line_width_mm",
    "mm",
    "Width of a line scored on the base.",
    0.8, 0.3, 3.0,
    "ours", "about the width of a scoring tool",
)  # fmt: skip
LINE_DEPTH = Parameter(
    "line_depth_mm",
    "mm",
    "Depth of a line scored on the base where it is shallowest.",
    0.4, 0.1, 2.0,
    "ours", "several layers of a print",
)  # fmt: skip
LINE_LENGTH = Parameter(
    "line_length_mm",
    "mm",
    "Greatest length of a line scored on the base.",
    10.0, 2.0, 40.0,
    "ours", "about the height of a base",
)  # fmt: skip
# --- how sure ------------------------------------------------------------------------------------
REPOSITIONING_ERROR = Parameter(
    "repositioning_error_deg",
    "deg",
    "The angle by which the path is off in at most 5 of 100 placings of the cast.",
    0.5, 0.0, 5.0,
    "ours", "three marks 30 mm apart, one of them read wrong by 0.25 mm",
)  # fmt: skip
SCAN_NOISE = Parameter(
    "scan_noise_mm",
    "mm",
    "Standard deviation of the scan's noise, square to the surface.",
    None, 0.0, 0.5,
    "ours", "estimated from the scan",
)  # fmt: skip
SAMPLES = Parameter(
    "samples",
    "placings",
    "How many placings of the cast are tried.",
    93, 20, 2000,
    "published", "S. S. Wilks, Ann. Math. Statist. 12 (1941): of 93, the least and the greatest "
    "hold 95 of 100 with 95 % confidence",
)  # fmt: skip
SEED = Parameter(
    "seed",
    "1",
    "The same seed gives the same placings.",
    1, 0, 1_000_000_000,
    "ours", "any number",
)  # fmt: skip
CLEARANCE = Parameter(
    "clearance_deg",
    "deg",
    "How much more open each guiding surface is taken than it was measured.",
    0.0, 0.0, 5.0,
    "ours", "0 takes the surfaces as they are",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    READING_ERROR, KEEP_AWAY, LEAST_SPAN, MARK_DIAMETER, MARK_DEPTH, LINE_WIDTH, LINE_DEPTH,
    LINE_LENGTH, REPOSITIONING_ERROR, SCAN_NOISE, SAMPLES, SEED, CLEARANCE,
)  # fmt: skip
