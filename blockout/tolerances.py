"""Every small number that decides something, once, with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Tolerances:
    """Lengths in mm. One object, passed down; nothing is compared with a bare epsilon."""

    level_slope: float = 1e-9
    """|n . d| under which a face counts as parallel to the path: 6e-8 degree, a thousand times the
    rounding of a normal on a millimetre facet, far under any angle that moves a wall."""

    ceiling_lift_mm: float = 0.001
    """How far a ceiling is raised into the cast before it is pulled down: bodies that overlap join
    cleanly where bodies that only touch leave pinholes. One micron is under every scanner."""

    overlap_area_mm2: float = 1e-6
    """A patch whose projected faces exceed its outline by less than this does not overlap itself:
    the outline kernel rounds coordinates to about 1e-8 mm."""

    overlap_share: float = 1e-7
    """The same as a share of the patch's own area, for large patches."""

    upright_deg: float = 1e-4
    """A wall that leans less than this stands along the path: over the height of a cast that is a
    tenth of a micron, and cones so slender are needles to the solid kernel."""

    level_floor_mm: float = 1e-9
    """What lies this near the plane of the cast's flat bottom lies in it: rounding of a turned
    coordinate is a hundred thousand times less."""

    plan_lean: float = 1e-9
    """How far upright faces lean outward in the plan that curtains are hung by, of their height:
    some hundredths of a nanometre on a cast, ten thousand times the rounding of a coordinate."""

    plan_own_mm: float = 1e-12
    """How far each vertex is moved in that plan, at most, so that no three lie in one line: some
    hundred times the rounding of a coordinate."""

    one_column_mm: float = 1e-6
    """Vertices of upright faces nearer than this as seen along the path stand in one column."""

    one_point_mm: float = 1e-7
    """New vertices nearer than this to another are the same: fifty times the lean of a plan, and a
    hundredth of what single precision tells apart on an arch."""

    in_line_mm: float = 1e-13
    """Corners of an outline nearer than this to a side count as on it: rounding, and no more."""

    no_area_mm2: float = 1e-12
    """An outline that runs the wrong way round less than this is a needle, not a hole."""

    ray_margin_mm: float = 0.0005
    """Rays start this far off the surface they come from, a hundred times the single-precision
    step of the ray library at the size of an arch."""

    depth_step_mm: float = 0.001
    """A depth is not searched further where no wall is nearer by more than about twice this: a
    fifth of what two readings of a gauge are told apart by."""

    visible_margin_mm: float = 0.02
    """A point of the survey line is visible when nothing is above it after a step outward of this
    size: more than a facet's bulge, less than any gauge."""

    pocket_mm3: float = 0.01
    """Less shut-in air than this is filled without being named a part: a cube of 0.2 mm, and far
    under what a volume of wax is told to."""

    touch_steps: float = 4.0
    """How far a vertex moves toward its own sheet where two sheets only touch, in steps of single
    precision at the size of the mesh (4 nm on an arch): enough that no file makes one of them,
    too little to show in a volume."""

    kernel_relative: float = 1e-9
    """The solid kernel must take a body with this share of its volume unchanged: far above the
    rounding of a sum over faces, far under what bending a needle straight takes away."""

    kernel_loss_mm3: float = 1e-4
    """Where no way to a cut keeps that share, the best may lose this much: a cube of 0.05 mm.
    Needles of a ragged border cost some 4e-5. What it takes under ceilings may differ by as much
    from the same found without it, which comes to a billionth on arches."""

    volume_relative: float = 1e-6
    """Volumes that must add up may differ by this share of the cast."""


TOLERANCES: Final = Tolerances()
