"""The options of the commands. Help, unit, range and default come from the parameters of the case
file, so that nothing is said twice; numbers are taken as text and checked by the same settings.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.case import parameters as p
from blockout.case.parameters import Parameter

OPTION_OF: Final[dict[str, str]] = {
    "unit": "--unit",
    "up": "--up",
    "front": "--front",
    "arch": "--arch",
    "stray_share": "--stray-share",
    "hole_length_mm": "--hole-length",
    "border_trim_mm": "--border-trim",
    "land_mm": "--land",
    "base_thickness_mm": "--base-thickness",
    "base_height_mm": "--base-height",
    "anterior_tilt_deg": "--tilt",
    "lateral_tilt_deg": "--tilt",
    "direction": "--direction",
    "warn_tilt_deg": "--warn-tilt",
    "max_tilt_deg": "--max-tilt",
    "gauges_mm": "--gauge",
    "noise_depth_mm": "--noise-depth",
    "taper_deg": "--taper",
    "floor_mm": "--floor",
    "keep_in": "--keep-in",
    "keep_out": "--keep-out",
    "within_deg": "--within",
    "retention_weight": "--retention-weight",
    "interferences_weight": "--interferences-weight",
    "guiding_planes_weight": "--guiding-planes-weight",
    "appearance_weight": "--appearance-weight",
    "reading_error_mm": "--reading-error",
    "keep_away_mm": "--keep-away",
    "least_span_mm": "--least-span",
    "keep_off": "--keep-off",
    "mark_shape": "--engrave",
    "mark_diameter_mm": "--mark-diameter",
    "mark_depth_mm": "--mark-depth",
    "line_width_mm": "--line-width",
    "line_depth_mm": "--line-depth",
    "line_length_mm": "--line-length",
    "repositioning_error_deg": "--repositioning-error",
    "scan_noise_mm": "--scan-noise",
    "samples": "--samples",
    "seed": "--seed",
    "clearance_deg": "--clearance",
    "allowance_mm": "--allowance",
    "tilt_within_deg": "--tilt-within",
    "turn_deg": "--turn",
    "gap_within_mm": "--gap-within",
    "scale": "--scale",
    "xy_mm": "--xy",
    "build_volume_mm": "--build-volume",
    "least_wall_mm": "--least-wall",
    "wall_mm": "--hollow",
    "vent_mm": "--vent",
    "vents": "--vents",
    "label": "--label",
    "label_date": "--label-date",
    "label_style": "--label-style",
    "label_height_mm": "--label-height",
    "label_depth_mm": "--label-depth",
    "resin_density_g_per_cm3": "--resin-density",
}
"""Which option gives which key of the settings."""


def number_option(parameter: Parameter) -> Any:
    """The option of a parameter, with its help; taken as text or as a whole number."""
    metavar = {"mm": "LENGTH", "deg": "DEGREES"}.get(parameter.unit, "NUMBER")
    return typer.Option(
        OPTION_OF[parameter.name],
        metavar=metavar,
        help=parameter.sentence,
        show_default=False,
    )


# --- every command ---
AsJson = Annotated[
    bool, typer.Option("--json", help="Print one JSON document on stdout and nothing else.")
]
Quiet = Annotated[bool, typer.Option("--quiet", "-q", help="No progress and no lines for people.")]
Debug = Annotated[
    bool,
    typer.Option(
        "--debug", envvar="BLOCKOUT_DEBUG", help="Show where in the program a fault arose."
    ),
]

ScanFile = Annotated[
    Path,
    typer.Argument(
        metavar="SCAN",
        help="A scan or a prepared cast: STL, PLY, OBJ, OFF, 3MF, GLB or glTF. Never changed.",
    ),
]
CaseOrScan = Annotated[
    Path,
    typer.Argument(
        metavar="CASE",
        help="A scan, a prepared cast, or a case file ending in .toml. Never changed. Options "
        "given here override the case file.",
    ),
]

# --- scan and cast ---
Unit = Annotated[
    str | None,
    typer.Option(
        "--unit",
        metavar="mm|cm|m|in",
        help="Unit of the file's numbers; taken from the file, or told by its size, when left out.",
        show_default=False,
    ),
]
Up = Annotated[
    str | None,
    typer.Option(
        "--up",
        metavar="AXIS",
        help="Occlusal direction in the file, such as +z, -y or 0,1,1; found when left out.",
        show_default=False,
    ),
]
Front = Annotated[
    str | None,
    typer.Option(
        "--front",
        metavar="AXIS",
        help="Anterior direction in the file; found when left out.",
        show_default=False,
    ),
]
ArchName = Annotated[
    str | None,
    typer.Option(
        "--arch",
        metavar="lower|upper",
        help="Which arch it is, and so on which side the patient's right lies; lower is assumed "
        "when left out.",
        show_default=False,
    ),
]
StrayShare = Annotated[str | None, number_option(p.STRAY_SHARE)]
HoleLength = Annotated[str | None, number_option(p.HOLE_LENGTH)]
BorderTrim = Annotated[str | None, number_option(p.BORDER_TRIM)]
Land = Annotated[str | None, number_option(p.LAND)]
BaseThickness = Annotated[str | None, number_option(p.BASE_THICKNESS)]
BaseHeight = Annotated[str | None, number_option(p.BASE_HEIGHT)]

# --- path ---
Tilt = Annotated[
    str | None,
    typer.Option(
        "--tilt",
        metavar="A,L",
        help="Anterior and lateral tilt of the cast in degrees; a positive anterior tilt lowers "
        "the front, a positive lateral tilt lowers the patient's right side. [default 0,0]",
        show_default=False,
    ),
]
Direction = Annotated[
    str | None,
    typer.Option(
        "--direction",
        metavar="X,Y,Z",
        help="Direction of removal in the file's coordinates, instead of the tilt.",
        show_default=False,
    ),
]
WarnTilt = Annotated[str | None, number_option(p.TILT_WARNING)]
MaxTilt = Annotated[str | None, number_option(p.TILT_LIMIT)]

# --- survey and wax ---
Gauges = Annotated[
    list[str] | None,
    typer.Option(
        "--gauge",
        metavar="LENGTH",
        help=f"{p.GAUGE.help} Repeat it for several. [{p.GAUGE.unit}; {p.GAUGE.low:g} to "
        f"{p.GAUGE.high:g}; default {', '.join(f'{g:.2f}' for g in p.GAUGES_MM)}; "
        f"{p.GAUGE.mark}: {p.GAUGE.source}]",
        show_default=False,
    ),
]
NoiseDepth = Annotated[str | None, number_option(p.NOISE_DEPTH)]
Taper = Annotated[str | None, number_option(p.TAPER)]
Floor = Annotated[str | None, number_option(p.FLOOR)]
_OUTLINES: Final = (
    "A text file of points x,y,z on the cast, one a line, in the file's coordinates; an empty line "
    "ends an outline."
)
KeepIn = Annotated[
    Path | None,
    typer.Option(
        "--keep-in",
        metavar="FILE",
        help=f"Wax only inside these outlines. {_OUTLINES}",
        show_default=False,
    ),
]
KeepOut = Annotated[
    Path | None,
    typer.Option(
        "--keep-out",
        metavar="FILE",
        help=f"No wax inside these outlines. {_OUTLINES}",
        show_default=False,
    ),
]
