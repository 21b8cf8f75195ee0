"""A built model made ready to print, in one order: stand it on its base, scale and turn it, move
its walls, hollow it, label it; so every length asked for is one of the printed model.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from blockout.case.printing_settings import LEFT_UNDER_LABEL_MM, PrintSettings
from blockout.cast.frame import CastFrame
from blockout.mesh import Floats, Mesh
from blockout.printing.hollow import Hollowed, hollowed
from blockout.printing.label import Labelled, label_lines, labelled
from blockout.printing.standing import (
    Standing,
    check_build_volume,
    scaled_and_turned,
    stood_on_base,
)
from blockout.printing.surface_offset import Moved, walls_moved
from blockout.progress import Progress, silent

SCALE_CAUTION: Final = (
    "The model is scaled. The investment, not the model, makes up for the alloy's contraction "
    "(Co-Cr 2.0-2.3 %, gold 1.4-2.0 % linear): make sure that it is not made up for twice."
)
VENT_CAUTION: Final = (
    "The vents open in the underside: print the model raised on supports, or a vent on the build "
    "plate shuts the hollow; rinse and cure the inside, too."
)
XY_NOTE: Final = "The walls of the hollow, the vents, the label and wax files are not compensated."


@dataclass(frozen=True, eq=False)
class PrintReady:
    """What is to be printed, and what was done to the model for it.

    Parameters
    ----------
    mesh : Mesh
        As printed: base at z = 0, mm.
    placing : callable
        The way of points (k, 3) from the scan's coordinates to these, for what goes with it.
    standing : Standing
    moved, hollow, label : optional
    cautions : tuple of str
    """

    mesh: Mesh
    placing: Callable[[Floats], Floats]
    standing: Standing
    moved: Moved | None
    hollow: Hollowed | None
    label: Labelled | None
    cautions: tuple[str, ...]


def make_ready(
    model: Mesh, frame: CastFrame, *, settings: PrintSettings, progress: Progress = silent
) -> PrintReady:
    """Make a built model ready to print.

    Parameters
    ----------
    model : Mesh
        Closed, in the scan's coordinates, mm.
    frame : CastFrame
    settings : PrintSettings

    Raises
    ------
    InputError
        It does not fit the build volume, is too slender to be hollow, or has no room for its label.
    DefectError
        It has no base to stand on.
    CheckError
        A step failed its own check.
    """
    lines = label_lines(settings.label) if settings.label else []
    scale, turn_deg = settings.scale, settings.turn_deg
    standing = stood_on_base(model, frame)
    mesh = scaled_and_turned(standing.mesh, scale=scale, turn_deg=turn_deg)
    if settings.build_volume_mm is not None:  # before the long steps
        check_build_volume(mesh, settings.build_volume_mm, turned_deg=turn_deg)
    moved = hollow = label = None
    if settings.xy_mm:
        progress("moving walls")
        moved = walls_moved(mesh, settings.xy_mm)
        mesh = moved.mesh
        if settings.build_volume_mm is not None:
            check_build_volume(mesh, settings.build_volume_mm, turned_deg=turn_deg)
    if settings.wall_mm:
        progress("hollowing")
        hollow = hollowed(
            mesh, wall_mm=settings.wall_mm, vent_mm=settings.vent_mm, vents=settings.vents
        )
        mesh = hollow.mesh
    if lines:
        progress("labelling")
        label = labelled(
            mesh,
            lines,
            height_mm=settings.label_height_mm,
            depth_mm=settings.label_depth_mm,
            style=settings.label_style,
            over_mm=LEFT_UNDER_LABEL_MM,
        )
        mesh = label.mesh
    cautions = [SCALE_CAUTION] if scale != (1.0, 1.0, 1.0) else []
    if hollow is not None:
        cautions.append(VENT_CAUTION)
    rotation, shift = standing.matrix[:3, :3], standing.matrix[:3, 3]

    def placing(points: Floats) -> Floats:
        stood: Floats = np.asarray(points) @ rotation.T + shift
        where = Mesh(stood, np.zeros((0, 3), dtype=np.int64))
        return scaled_and_turned(where, scale=scale, turn_deg=turn_deg).vertices

    return PrintReady(mesh, placing, standing, moved, hollow, label, tuple(cautions))


def done_facts(ready: PrintReady, settings: PrintSettings) -> dict[str, Any]:
    """What was done to the model, with units in the names."""
    facts: dict[str, Any] = {
        "base": {
            "trimmed_mm": ready.standing.trimmed_mm,
            "trimmed_mm3": ready.standing.trimmed_mm3,
        },
        "scale": list(settings.scale),
        "turn_deg": settings.turn_deg,
        "xy": None,
        "hollow": None,
        "label": None,
    }
    if ready.moved is not None:
        moved = ready.moved
        facts["xy"] = {
            "asked_mm": moved.asked_mm,
            "measured_mm": moved.measured_mm,
            "least_share": moved.least_share,
            "most_share": moved.most_share,
            "note": XY_NOTE,
        }
    if ready.hollow is not None:
        hollow = ready.hollow
        facts["hollow"] = {
            "wall_mm": settings.wall_mm,
            "least_wall_mm": hollow.least_wall_mm,
            "laid_at_mm": hollow.level_mm,
            "error_bound_mm": hollow.error_mm,
            "volume_mm3": hollow.hollow_mm3,
            "vents": [
                {"at_mm": list(vent.at_mm), "diameter_mm": vent.diameter_mm}
                for vent in hollow.vents
            ],
            "pool_mm3": hollow.pool_mm3,
            "left_solid": {
                "volume_mm3": hollow.left_solid_mm3,
                "places_mm": [list(place) for place in hollow.left_solid],
            },
        }
    if ready.label is not None:
        label = ready.label
        facts["label"] = {
            "lines": list(label.lines),
            "style": settings.label_style,
            "height_mm": settings.label_height_mm,
            "depth_mm": label.depth_mm,
            "at_mm": list(label.at_mm),
            "turned_deg": label.turned_deg,
            "volume_mm3": label.cut_mm3,
        }
    return facts
