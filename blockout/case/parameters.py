"""Every number a user may choose: its unit, range, default, where the default comes from, and one
sentence of help. The settings, the case file, the JSON Schema and the command line are made from
these; nothing is said twice. Imports nothing heavy, so that ``--help`` stays quick.

Marks of a source: ``standard``, ``published``, ``from memory`` (recalled from a textbook, not
re-read), ``common practice`` (no source found), ``ours`` (a choice of this project).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Mark = Literal["standard", "published", "from memory", "common practice", "ours"]


@dataclass(frozen=True)
class Parameter:
    """One choosable number. ``default`` None means that the tool works it out and says so."""

    name: str
    unit: str
    help: str
    default: float | None
    low: float
    high: float
    mark: Mark
    source: str

    @property
    def sentence(self) -> str:
        """Help with unit, range and default, as command line and schema show it."""
        default = "worked out from the scan" if self.default is None else f"{self.default:g}"
        return (
            f"{self.help} [{self.unit}; {self.low:g} to {self.high:g}; default {default}; "
            f"{self.mark}: {self.source}]"
        )


# --- prepare -------------------------------------------------------------------------------------
STRAY_SHARE = Parameter(
    "stray_share",
    "share of the largest piece's area",
    "Loose pieces smaller than this are dropped; a larger one is refused.",
    0.1, 0.0, 1.0,
    "ours", "a real second piece of an arch is larger than this",
)  # fmt: skip
HOLE_LENGTH = Parameter(
    "hole_length_mm",
    "mm",
    "Holes with a rim up to this long are filled.",
    12.0, 0.0, 100.0,
    "ours", "about the girth of a premolar's neck; larger gaps are missing data",
)  # fmt: skip
BORDER_TRIM = Parameter(
    "border_trim_mm",
    "mm",
    "How far in from the ragged border the scan is cut, first try; more only where it must.",
    0.6, 0.0, 5.0,
    "ours", "0.6 to 1.5 mm closed most real arches tried",
)  # fmt: skip
LAND = Parameter(
    "land_mm",
    "mm",
    "Width of the shelf around the border on which wax ends.",
    3.0, 0.5, 10.0,
    "common practice", "no source",
)  # fmt: skip
BASE_THICKNESS = Parameter(
    "base_thickness_mm",
    "mm",
    "Thickness of the base under the lowest scanned point.",
    10.0, 2.0, 40.0,
    "from memory", "10 mm or more at the thinnest for a solid base",
)  # fmt: skip
BASE_HEIGHT = Parameter(
    "base_height_mm",
    "mm",
    "Closed casts only: all that lies wholly below this height over the cast's bottom is base.",
    None, 0.0, 100.0,
    "ours", "left out, upright walls on a flat bottom are recognised as base",
)  # fmt: skip
# --- path ----------------------------------------------------------------------------------------
ANTERIOR_TILT = Parameter(
    "anterior_tilt_deg",
    "deg",
    "Tilt from the occlusal plane held level; positive lowers the front of the cast.",
    0.0, -60.0, 60.0,
    "published", "a survey starts with the path square to the level occlusal plane",
)  # fmt: skip
LATERAL_TILT = Parameter(
    "lateral_tilt_deg",
    "deg",
    "Tilt from the occlusal plane held level; positive lowers the patient's right side.",
    0.0, -60.0, 60.0,
    "published", "a survey starts with the path square to the level occlusal plane",
)  # fmt: skip
TILT_WARNING = Parameter(
    "warn_tilt_deg",
    "deg",
    "A path tilted further than this from the occlusal plane's normal is warned of.",
    10.0, 0.0, 90.0,
    "common practice", "no source",
)  # fmt: skip
TILT_LIMIT = Parameter(
    "max_tilt_deg",
    "deg",
    "A path tilted further than this is refused.",
    30.0, 0.0, 60.0,
    "common practice", "no source",
)  # fmt: skip
# --- survey and parallel blockout ----------------------------------------------------------------
NOISE_DEPTH = Parameter(
    "noise_depth_mm",
    "mm",
    "Undercuts shallower than this are left alone.",
    None, 0.0, 0.5,
    "ours", "three times the scan's estimated noise, at most 0.15 mm",
)  # fmt: skip
TAPER = Parameter(
    "taper_deg",
    "deg",
    "The wall of the blockout leans outward by this angle toward the gingiva.",
    0.0, 0.0, 10.0,
    "published", "0 for parallel blockout; 2, 4 and 6 are common practice, no source",
)  # fmt: skip
FLOOR = Parameter(
    "floor_mm",
    "mm",
    "Height in the cast frame down to which wax goes.",
    None, -200.0, 200.0,
    "ours", "the plane of the base's flat bottom",
)  # fmt: skip

GAUGES_MM: Final[tuple[float, ...]] = (0.25, 0.50, 0.75)
"""The metric undercut gauge set (published)."""

GAUGE = Parameter(
    "gauges_mm",
    "mm",
    "Undercut gauges whose iso-lines are drawn.",
    None, 0.01, 5.0,
    "published", "the metric undercut gauge set 0.25, 0.50 and 0.75 mm",
)  # fmt: skip
"""One gauge; the set's default is :data:`GAUGES_MM`."""

ALL: Final[tuple[Parameter, ...]] = (
    STRAY_SHARE, HOLE_LENGTH, BORDER_TRIM, LAND, BASE_THICKNESS, BASE_HEIGHT,
    ANTERIOR_TILT, LATERAL_TILT, TILT_WARNING, TILT_LIMIT, GAUGE, NOISE_DEPTH, TAPER, FLOOR,
)  # fmt: skip
