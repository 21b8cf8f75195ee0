"""Frameworks of known fit: shells over a blocked-out cast, with a clearance, and rods added."""

from __future__ import annotations

import numpy as np
from bodies import ball, box
from numpy.typing import ArrayLike

from blockout.arms.arm import Arm
from blockout.cast.cast import Cast
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.surveying.path import InsertionPath
from blockout.trying.overlap import under_cast

AROUND = 12
"""In how many ways round a region is moved to make it wider."""


def shell(
    cast: Cast,
    path: InsertionPath,
    low_mm: ArrayLike,
    high_mm: ArrayLike,
    *,
    clearance_mm: float = 0.05,
    thickness_mm: float = 1.0,
    around: int = AROUND,
    coarser_mm: float = 0.0,
) -> Mesh:
    """A shell over the blocked-out cast inside a box given in path coordinates: what lies further
    off it than the clearance and no further than that and the thickness. Distances grow from the
    region moved ``around`` ways and up, so the gap is the clearance in those directions and less
    between them, beside corners at the least ``cos(2 pi / around)`` of it. It seats: what is moved
    up or aside still reaches down to the floor, so nothing of it hangs under the shell.
    """
    low, high = np.asarray(low_mm, dtype=np.float64), np.asarray(high_mm, dtype=np.float64)
    reach = clearance_mm + thickness_mm + 0.5
    block = Solid.from_mesh(box(low - reach, high + reach))
    upright = cast.mesh.reshaped(cast.mesh.vertices @ path.to_path.T)
    floor_mm = float(upright.vertices[:, 2].min())
    under = under_cast(upright, np.stack([low - reach, high + reach]), floor_mm=floor_mm)
    region = (under.cast ^ block) + (under.space ^ block)
    if coarser_mm:
        region = region.simplified(coarser_mm)
    outer = _grown(region, clearance_mm + thickness_mm, around)
    made = (outer - _grown(region, clearance_mm, around)) ^ Solid.from_mesh(box(low, high))
    mesh = made.mesh()
    label = mesh.face_components()
    largest = int(np.argmax(np.bincount(label, mesh.face_areas_mm2)))
    mesh = mesh.part(label == largest)
    return Mesh(mesh.vertices @ path.to_path, mesh.faces)


def _grown(region: Solid, by_mm: float, around: int) -> Solid:
    turn = 2.0 * np.pi * np.arange(around) / around
    ways = np.concatenate(
        [np.column_stack([np.cos(turn), np.sin(turn), np.zeros(around)]), [[0.0, 0.0, 1.0]]]
    )
    return Solid.union(region.turned(shifted(by_mm * way)) for way in ways)


def shifted(by_mm: ArrayLike) -> Floats:
    """(4, 4) a shift."""
    matrix = np.eye(4)
    matrix[:3, 3] = by_mm
    return matrix


def with_rod(framework: Mesh, rod: Mesh) -> Mesh:
    """Both as one body."""
    return (Solid.from_mesh(framework) + Solid.from_mesh(rod)).mesh()


# --- an arm on a ball ----------------------------------------------------------------------------
RADIUS_MM, EQUATOR_MM = 5.0, 3.5


def arm_on_ball(heights_mm: Floats, *, asked_mm: float, name: str = "ball arm") -> Arm:
    """A retentive arm on a ball of radius 5 about (0, 0, 3.5), from -50 to 50 degrees about +y,
    1 mm wide, whose lower border runs at these heights above the equator.
    """
    count = len(heights_mm)
    turn = np.radians(np.linspace(-50.0, 50.0, count))

    def on_ball(height: Floats) -> Floats:
        out = np.sqrt(RADIUS_MM**2 - height**2)
        return np.column_stack([out * np.sin(turn), out * np.cos(turn), EQUATOR_MM + height])

    lower = on_ball(heights_mm)
    depth = np.where(heights_mm < 0.0, RADIUS_MM - np.sqrt(RADIUS_MM**2 - heights_mm**2), 0.0)
    centre = on_ball(heights_mm + 0.5)
    return Arm(
        name=name,
        tooth=46,
        aspect="buccal",
        role="retentive",
        form="circumferential",
        alloy="cobalt-chromium",
        section="half-round",
        undercut_mm=asked_mm,
        centre=centre,
        lower=lower,
        upper=on_ball(heights_mm + 1.0),
        width_mm=np.ones(count),
        depth_mm=depth,
        terminal_mm=lower[-1].copy(),
        terminal_depth_mm=float(depth[-1]),
        terminal_wall_deg=10.0,
        crossing_share=None,
        length_mm=float(np.linalg.norm(np.diff(centre, axis=0), axis=1).sum()),
        margin_mm=None,
        about_mm=np.array([0.0, 0.0, EQUATOR_MM]),
        friction=0.2,
        by_hand=False,
    )


def metal_of(arm: Arm, *, off_mm: float = 0.01, thick_mm: float = 0.8) -> Mesh:
    """The arm's metal: its band, from ``off_mm`` off the ball outward."""
    middle = np.array([0.0, 0.0, EQUATOR_MM])
    rows = []
    for line in (arm.lower, arm.upper):
        out = (line - middle) * [1.0, 1.0, 0.0]
        out /= np.linalg.norm(out, axis=1)[:, None]
        rows += [line - 0.3 * out, line + thick_mm * out]
    pieces = [
        Solid.hull(np.concatenate([row[k : k + 2] for row in rows]))
        for k in range(len(arm.lower) - 1)
    ]
    tooth = ball(RADIUS_MM + off_mm, subdivisions=5, centre=middle)
    return (Solid.union(pieces) - Solid.from_mesh(tooth)).mesh()
