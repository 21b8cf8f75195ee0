"""Where the design lies on the cast: tripod marks keep away from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from blockout.arms.arm import Arm
from blockout.case.prescription import Prescription
from blockout.case.values import Outline
from blockout.cast.cast import Cast
from blockout.drawn.curve import surface_curve
from blockout.drawn.outline import surface_region
from blockout.mesh import Bools, Floats
from blockout.wax.recipes import relief_zone
from blockout.wax.wax import Wax


@dataclass(frozen=True, eq=False)
class DesignArea:
    """Where metal and wax will lie.

    Parameters
    ----------
    points_mm : (k, 3) float
        Points along arms, outlines and beads, and on wax; file coordinates.
    faces : (m,) bool
        Faces of the cast within reliefs and outlines of metal to come.
    """

    points_mm: Floats
    faces: Bools


def design_area(
    cast: Cast,
    prescription: Prescription | None = None,
    *,
    arms: Sequence[Arm] = (),
    waxes: Sequence[Wax] = (),
    keep_off: Sequence[Outline] = (),
) -> DesignArea:
    """The area of one prescription: its arms, reliefs and beads, ledges and other wax of which the
    bodies are given, and outlines of metal to come.

    Parameters
    ----------
    cast : Cast
    prescription : Prescription, optional
        For its reliefs and its beads.
    arms : sequence of Arm
        As they were laid.
    waxes : sequence of Wax
        As they were poured; parallel and arbitrary blockout lies in undercuts, where no mark can
        be seen, and need not be given.
    keep_off : sequence of outlines
        Points around metal to come, file coordinates.

    Raises
    ------
    InputError
        An outline that is off the cast, crosses itself, or does not close.
    """
    points: list[Floats] = [line for arm in arms for line in (arm.lower, arm.centre, arm.upper)]
    points += [wax.mesh.vertices for wax in waxes if wax.mesh is not None]
    faces = np.zeros(cast.mesh.triangle_count, dtype=bool)
    outlines = [
        surface_curve(cast.mesh, outline, closed=True, name="outline of metal")
        for outline in keep_off
    ]
    if prescription is not None:
        for number, relief in enumerate(prescription.relief, start=1):
            name = relief.name or f"relief {number}"
            outlines.append(relief_zone(cast, relief, name=name).outline)
        for number, bead in enumerate(prescription.bead, start=1):
            name = bead.name or f"bead {number}"
            points.append(surface_curve(cast.mesh, bead.line, name=name).points_mm)
    for outline in outlines:
        points.append(outline.points_mm)
        faces[surface_region(cast.mesh, outline, name="outline").source_face] = True
    return DesignArea(np.concatenate([*points, np.zeros((0, 3))]), faces)
