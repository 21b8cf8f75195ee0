"""The choosable numbers of making a model ready to print; nothing heavy, so that the command line
may show them.
"""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter

# --- size ----------------------------------------------------------------------------------------
SCALE = Parameter(
    "scale",
    "factor",
    "The model is printed this many times as large; 1 is the size of the cast.",
    1.0, 0.9, 1.1,
    "common practice", "the investment, not the model, makes up for the alloy's contraction",
)  # fmt: skip
XY = Parameter(
    "xy_mm",
    "mm",
    "Walls are moved outward by this much, measured square to z; a negative one moves them inward.",
    0.0, -0.5, 0.5,
    "ours", "0 leaves walls as they are; read the value off a test print of the printer",
)  # fmt: skip
TURN_Z = Parameter(
    "turn_deg",
    "deg",
    "The model is turned about z by this angle, anticlockwise seen from above.",
    0.0, -360.0, 360.0,
    "ours", "0 keeps the front toward +y",
)  # fmt: skip
BUILD_SIDE = Parameter(
    "build_volume_mm",
    "mm",
    "A side of the space that the printer builds in.",
    None, 10.0, 2000.0,
    "ours", "of the printer in use; not checked when left out",
)  # fmt: skip
# --- walls ---------------------------------------------------------------------------------------
LEAST_WALL = Parameter(
    "least_wall_mm",
    "mm",
    "Places where the printed wall is thinner than this are named.",
    1.0, 0.1, 5.0,
    "common practice", "a thinner wall of a model breaks",
)  # fmt: skip
HOLLOW_WALL = Parameter(
    "wall_mm",
    "mm",
    "Least wall of a hollow model; 2 to 3 is usual, 0 leaves the model solid.",
    0.0, 0.0, 10.0,
    "published", "Materials 2025, doi 10.3390/ma18174173: shells of 2 to 3 mm",
)  # fmt: skip
VENT = Parameter(
    "vent_mm",
    "mm",
    "Diameter of each vent, through the underside at the lowest points of each hollow.",
    4.0, 1.0, 10.0,
    "common practice", "3 to 5 mm",
)  # fmt: skip
VENTS = Parameter(
    "vents",
    "vents",
    "How many vents each hollow has.",
    2, 2, 12,
    "common practice", "at least two, so that air follows the resin that drains",
)  # fmt: skip
RESIN_DENSITY = Parameter(
    "resin_density_g_per_cm3",
    "g/cm3",
    "Density of the cured resin, for its mass.",
    1.15, 0.8, 2.5,
    "common practice", "no source; take it from the resin's data sheet",
)  # fmt: skip
# --- label ---------------------------------------------------------------------------------------
LABEL_HEIGHT = Parameter(
    "label_height_mm",
    "mm",
    "Height of a capital of the label.",
    3.0, 1.5, 20.0,
    "ours", "strokes then are 0.4 mm wide, several pixels of a printer",
)  # fmt: skip
LABEL_DEPTH = Parameter(
    "label_depth_mm",
    "mm",
    "How deep the label lies in the underside.",
    0.5, 0.1, 3.0,
    "ours", "several layers of a print",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    SCALE, XY, TURN_Z, BUILD_SIDE, LEAST_WALL, HOLLOW_WALL, VENT, VENTS, RESIN_DENSITY,
    LABEL_HEIGHT, LABEL_DEPTH,
)  # fmt: skip
