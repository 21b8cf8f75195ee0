"""How a scan of the blocked-out cast is compared with the plan, and when it passes."""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter
from blockout.case.settings import Length, Settings, field_of
from blockout.case.values import Number

# --- passing -------------------------------------------------------------------------------------
WITHIN_TOOTH = Parameter(
    "within_tooth_mm",
    "mm",
    "Deviation allowed within one tooth's region, either way.",
    0.25, 0.01, 2.0,
    "published", "acceptance used in one validation of printed casts (a preprint): 0.25 mm",
)  # fmt: skip
ACROSS_ARCH = Parameter(
    "across_arch_mm",
    "mm",
    "Deviation allowed across the arch, either way.",
    0.50, 0.02, 4.0,
    "published", "acceptance used in one validation of printed casts (a preprint): 0.50 mm",
)  # fmt: skip
SHARE_WITHIN = Parameter(
    "share_within",
    "share of the area",
    "How much of the surface must lie within these deviations.",
    0.95, 0.5, 1.0,
    "ours", "the 95th percentile is what such studies report",
)  # fmt: skip
VOLUME_SHARE = Parameter(
    "volume_share",
    "share of the planned volume",
    "How far the volume of all wax may be off, either way.",
    0.10, 0.001, 1.0,
    "ours", "a wall 0.1 mm off on wax 1 mm thick",
)  # fmt: skip
PART_VOLUME_SHARE = Parameter(
    "part_volume_share",
    "share of the planned volume",
    "How far the volume of one part or one tooth's region may be off, either way.",
    0.20, 0.001, 1.0,
    "ours", "a part is smaller than the whole, and so is what stands for it",
)  # fmt: skip
VOLUME_LEAST = Parameter(
    "volume_least_mm3",
    "mm3",
    "A volume off by less than this passes, whatever share it is.",
    1.0, 0.0, 50.0,
    "ours", "a cube of 1 mm; the share of a small part is no measure",
)  # fmt: skip
WALL_ANGLE = Parameter(
    "wall_deg",
    "deg",
    "How far the mean angle of the wall to the path may be off, either way.",
    2.0, 0.1, 20.0,
    "common practice", "tapers are offered in steps of 2 degrees",
)  # fmt: skip
LEDGE_HEIGHT = Parameter(
    "ledge_height_mm",
    "mm",
    "How far a ledge's shelf at the terminal may stand too high or too low along the path.",
    0.25, 0.01, 2.0,
    "published", "the deviation allowed within a tooth",
)  # fmt: skip
LEDGE_DEPTH = Parameter(
    "ledge_depth_mm",
    "mm",
    "How far the undercut depth over the ledge at the terminal may be off, either way.",
    0.125, 0.01, 1.0,
    "ours", "half the step between two undercut gauges",
)  # fmt: skip
RELIEF_OFF = Parameter(
    "relief_mm",
    "mm",
    "How far the mean thickness of a relief may be off, either way.",
    0.10, 0.01, 1.0,
    "ours", "about the step between sheets two gauges apart",
)  # fmt: skip
# --- places --------------------------------------------------------------------------------------
PLACE_DEPTH = Parameter(
    "place_depth_mm",
    "mm",
    "Wax that is missing or in excess by less than this makes no place of its own.",
    None, 0.01, 2.0,
    "ours", "four times the scatter of the fit, 0.06 mm at least",
)  # fmt: skip
PLACE_VOLUME = Parameter(
    "place_mm3",
    "mm3",
    "A place of missing or excess wax smaller than this is not named.",
    0.1, 0.0, 20.0,
    "ours", "a cube of half a millimetre",
)  # fmt: skip
WAX_DENSITY = Parameter(
    "wax_density_g_per_cm3",
    "g/cm3",
    "Density of the blockout wax, for its mass.",
    0.95, 0.5, 2.5,
    "common practice", "no source; weigh a block of the wax in use",
)  # fmt: skip
# --- registration --------------------------------------------------------------------------------
FIT_RMS = Parameter(
    "fit_rms_mm",
    "mm",
    "A scan that stays further off the surface without wax than this (RMS) is refused.",
    0.15, 0.005, 1.0,
    "ours", "more than printed casts usually have, less than another cast gives",
)  # fmt: skip
FIT_KEPT = Parameter(
    "fit_kept_share",
    "share of the surface",
    "A scan is refused where less than this of the wax-free surface it faces lies within 0.25 mm.",
    0.75, 0.05, 1.0,
    "ours", "chips and stray wax take less than a quarter; of another cast flat parts may agree",
)  # fmt: skip
FIT_COVERED = Parameter(
    "fit_covered_share",
    "share of the surface",
    "A scan is refused where it covers less than this of the surface without wax.",
    0.20, 0.02, 1.0,
    "ours", "three teeth in a row or more; fewer look alike on many casts",
)  # fmt: skip
FIT_TURN = Parameter(
    "fit_turn_deg",
    "deg",
    "A scan whose turn is known less well than this (standard uncertainty) is refused.",
    0.05, 0.001, 2.0,
    "ours", "0.03 mm at the far end of an arch, an eighth of what is allowed within a tooth",
)  # fmt: skip
FIT_SHIFT = Parameter(
    "fit_shift_mm",
    "mm",
    "A scan whose place is known less well than this (standard uncertainty) is refused.",
    0.05, 0.001, 1.0,
    "ours", "a fifth of what is allowed within a tooth",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    WITHIN_TOOTH, ACROSS_ARCH, SHARE_WITHIN, VOLUME_SHARE, PART_VOLUME_SHARE, VOLUME_LEAST,
    WALL_ANGLE, LEDGE_HEIGHT, LEDGE_DEPTH, RELIEF_OFF, PLACE_DEPTH, PLACE_VOLUME, WAX_DENSITY,
    FIT_RMS, FIT_KEPT, FIT_COVERED, FIT_TURN, FIT_SHIFT,
)  # fmt: skip


class CompareSettings(Settings):
    """Tolerances of the comparison between plan and scan."""

    within_tooth_mm: Length = field_of(WITHIN_TOOTH)
    across_arch_mm: Length = field_of(ACROSS_ARCH)
    share_within: Number = field_of(SHARE_WITHIN)
    volume_share: Number = field_of(VOLUME_SHARE)
    part_volume_share: Number = field_of(PART_VOLUME_SHARE)
    volume_least_mm3: Number = field_of(VOLUME_LEAST)
    wall_deg: Number = field_of(WALL_ANGLE)
    ledge_height_mm: Length = field_of(LEDGE_HEIGHT)
    ledge_depth_mm: Length = field_of(LEDGE_DEPTH)
    relief_mm: Length = field_of(RELIEF_OFF)
    place_depth_mm: Length | None = field_of(PLACE_DEPTH)
    place_mm3: Number = field_of(PLACE_VOLUME)
    wax_density_g_per_cm3: Number = field_of(WAX_DENSITY)
    fit_rms_mm: Length = field_of(FIT_RMS)
    fit_kept_share: Number = field_of(FIT_KEPT)
    fit_covered_share: Number = field_of(FIT_COVERED)
    fit_turn_deg: Number = field_of(FIT_TURN)
    fit_shift_mm: Length = field_of(FIT_SHIFT)
