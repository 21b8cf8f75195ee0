"""The numbers by which the path of insertion is chosen; imports nothing heavy, so that
``--help`` stays quick.
"""

from __future__ import annotations

from typing import Final

from blockout.case.parameters import Parameter

WITHIN = Parameter(
    "within_deg",
    "deg",
    "Paths tilted up to this far from the occlusal plane's normal are tried.",
    15.0, 1.0, 30.0,
    "ours", "half as far again as the 10 degrees that are warned of; 30 is the limit of any path",
)  # fmt: skip
RETENTION_WEIGHT = Parameter(
    "retention_weight",
    "weight",
    "How much balanced retention counts.",
    1.0, 0.0, 100.0,
    "ours", "four factors are named as deciding a path (published); equal weights are ours",
)  # fmt: skip
INTERFERENCES_WEIGHT = Parameter(
    "interferences_weight",
    "weight",
    "How much interferences, undercut in the way of rigid parts, count.",
    1.0, 0.0, 100.0,
    "ours", "as for retention",
)  # fmt: skip
GUIDING_WEIGHT = Parameter(
    "guiding_planes_weight",
    "weight",
    "How much guiding planes parallel to the path count.",
    1.0, 0.0, 100.0,
    "ours", "as for retention",
)  # fmt: skip
APPEARANCE_WEIGHT = Parameter(
    "appearance_weight",
    "weight",
    "How much appearance counts.",
    1.0, 0.0, 100.0,
    "ours", "as for retention",
)  # fmt: skip
ABUTMENT_UNDERCUT = Parameter(
    "abutment_undercut_mm",
    "mm",
    "Undercut looked for on each abutment where the case names no retentive arm.",
    0.25, 0.05, 2.0,
    "published", "0.25 mm for cast cobalt-chromium",
)  # fmt: skip
TOOTH_WEIGHT = Parameter(
    "tooth_weight",
    "weight",
    "How much a cubic millimetre of undercut on teeth counts as interference.",
    1.0, 0.0, 100.0,
    "ours", "teeth and tissue alike unless the case says otherwise",
)  # fmt: skip
TISSUE_WEIGHT = Parameter(
    "tissue_weight",
    "weight",
    "How much a cubic millimetre of undercut on soft tissue counts as interference.",
    1.0, 0.0, 100.0,
    "ours", "teeth and tissue alike unless the case says otherwise",
)  # fmt: skip
CONNECTOR_WEIGHT = Parameter(
    "connector_weight",
    "weight",
    "How many times as much undercut counts where the case names something rigid: under a relief "
    "or a bead, and where a reciprocal arm runs.",
    5.0, 0.0, 100.0,
    "ours", "metal that cannot bend must clear it; elsewhere wax fills it and nothing crosses it",
)  # fmt: skip
BEAD_REACH = Parameter(
    "bead_reach_mm",
    "mm",
    "How far to each side of a bead its connector is taken to reach.",
    3.0, 0.5, 15.0,
    "ours", "the case draws the connector's border, not its whole area",
)  # fmt: skip
PARALLEL_WITHIN = Parameter(
    "parallel_within_deg",
    "deg",
    "A guiding plane counts as parallel where it lies within this angle of the path.",
    3.0, 0.2, 15.0,
    "ours", "about what a handpiece held by eye reaches",
)  # fmt: skip
GUIDING_HEIGHT = Parameter(
    "guiding_height_mm",
    "mm",
    "Height of parallel guiding plane that is enough.",
    2.0, 0.5, 6.0,
    "published", "2 to 4 mm where teeth carry, 1.5 to 2 mm beside a free end; sources differ",
)  # fmt: skip
GUIDING_ANGLE_LIMIT = Parameter(
    "guiding_angle_limit_deg",
    "deg",
    "A guiding plane this far from the path, or further, is of no use.",
    15.0, 1.0, 45.0,
    "ours", "more than that cannot be ground parallel within the enamel of its height",
)  # fmt: skip
FRONT_GAP_LIMIT = Parameter(
    "front_gap_limit_mm2",
    "mm2",
    "Blockout gap beside a front tooth, seen from the front, that is as bad as can be.",
    3.0, 0.1, 20.0,
    "ours", "a dark triangle of 1 mm by 6 mm",
)  # fmt: skip
AS_GOOD_SHARE = Parameter(
    "as_good_share",
    "share of the best total",
    "Paths whose total lies this near to the best are called as good.",
    0.01, 0.0, 0.2,
    "ours", "less than a repositioned cast shows",
)  # fmt: skip
LEVEL_SHARE = Parameter(
    "level_good_share",
    "share of the best total",
    "The level path is good enough when its total lies this near to the best.",
    0.05, 0.0, 0.5,
    "ours", "a level path is simpler to keep, so it may be a little worse",
)  # fmt: skip
APART = Parameter(
    "apart_deg",
    "deg",
    "Paths that are listed differ by this angle at least.",
    2.0, 0.2, 15.0,
    "ours", "what one sees at the surveying table",
)  # fmt: skip
LEAST_AT_LEVEL = Parameter(
    "least_at_level_mm",
    "mm",
    "An undercut shallower than this along the level path is said not to be there at level.",
    0.05, 0.0, 0.5,
    "ours", "a fifth of the shallowest gauge, over a scan's noise",
)  # fmt: skip

ALL: Final[tuple[Parameter, ...]] = (
    WITHIN, RETENTION_WEIGHT, INTERFERENCES_WEIGHT, GUIDING_WEIGHT, APPEARANCE_WEIGHT,
    ABUTMENT_UNDERCUT, TOOTH_WEIGHT, TISSUE_WEIGHT, CONNECTOR_WEIGHT, BEAD_REACH, PARALLEL_WITHIN,
    GUIDING_HEIGHT, GUIDING_ANGLE_LIMIT, FRONT_GAP_LIMIT, AS_GOOD_SHARE, LEVEL_SHARE, APART,
    LEAST_AT_LEVEL,
)  # fmt: skip
