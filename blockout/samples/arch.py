"""A sample cast from a plan: teeth on a ridge, meshed, with a base."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from blockout.cast.frame import CastFrame
from blockout.mesh import Bools, Floats, Mesh
from blockout.samples.blend import smooth_min
from blockout.samples.curve import ArchCurve
from blockout.samples.plan import CastPlan
from blockout.samples.plaster import poured
from blockout.samples.ridge import Ridge, Section
from blockout.samples.skin import settled, skin_of_grid, untangled
from blockout.samples.standing import Standing, stand_teeth

_MARGIN_MM: Final = 0.3
_CONTACT_MM: Final = 0.8
"""Rounding of the gingival margin, and of contacts: a scanner does not see into them."""
_SKIN_BOTTOM_MM: Final = -22.5
_TOP_MM: Final = 3.0
_FAR_MM: Final = 5.0
_STEP_MM: Final = 1e-4


@dataclass(frozen=True, eq=False)
class SampleCast:
    """A made cast.

    Parameters
    ----------
    mesh : Mesh
        File coordinates, mm.
    skin : (m,) bool
        Faces of teeth and tissue; the rest is base.
    frame : CastFrame
        The true one: cast frame to file coordinates.
    standings : tuple of Standing
        All fourteen places, cast frame.
    plan : CastPlan
    """

    mesh: Mesh
    skin: Bools
    frame: CastFrame
    standings: tuple[Standing, ...]
    plan: CastPlan

    def tooth(self, number: int) -> Standing:
        """The place of one tooth, present or not."""
        return next(place for place in self.standings if place.number == number)


@dataclass(frozen=True)
class CastField:
    """The whole cast as one field in the cast frame: about the distance, negative inside."""

    plan: CastPlan

    @cached_property
    def curve(self) -> ArchCurve:
        return ArchCurve(self.plan.arch)

    @cached_property
    def standings(self) -> tuple[Standing, ...]:
        return stand_teeth(self.plan, self.curve)

    @cached_property
    def ridge(self) -> Ridge:
        return Ridge(self.plan, self.curve, self.standings)

    @property
    def margin_mm(self) -> float:
        # a seam finer than the mesh could not be drawn
        return max(_MARGIN_MM, 0.8 * self.plan.spacing_mm)

    @property
    def contact_mm(self) -> float:
        return max(_CONTACT_MM, 2.4 * self.plan.spacing_mm)

    def __call__(self, points_mm: Floats) -> Floats:
        """(n,) at points (n, 3)."""
        section = self.ridge.section(points_mm[:, :2])
        tissue = self.ridge.field(section, points_mm[:, 2])
        return smooth_min(self._teeth(points_mm), tissue, self.margin_mm)

    def with_slope(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """Value (n,) and slope (n, 3) by forward differences, the arch located only once."""
        ridge, columns, height = self.ridge, points_mm[:, :2], points_mm[:, 2]
        along, offset = self.curve.locate(columns)
        along_share, offset_share = self.curve.shares(along, offset)
        here = ridge.section_at(columns, along, offset)
        values = []
        for axis in (-1, 0, 1, 2):
            step = np.zeros(3)
            section = here
            if axis >= 0:
                step[axis] = _STEP_MM
            if axis in (0, 1):
                section = ridge.section_at(
                    columns + step[:2],
                    along + _STEP_MM * along_share[:, axis],
                    offset + _STEP_MM * offset_share[:, axis],
                )
            tissue = ridge.field(section, height + step[2])
            values.append(smooth_min(self._teeth(points_mm + step), tissue, self.margin_mm))
        slope = np.stack([(moved - values[0]) / _STEP_MM for moved in values[1:]], axis=1)
        return values[0], slope

    def _teeth(self, points_mm: Floats) -> Floats:
        teeth = np.full(len(points_mm), _FAR_MM)
        for place in self.standings:
            if place.present:
                near = np.flatnonzero(place.reaches(points_mm))
                crown = place.field(points_mm[near])
                teeth[near] = smooth_min(teeth[near], crown, self.contact_mm)
        return teeth

    def on_grid(self, x: Floats, y: Floats, z: Floats) -> Floats:
        """(nx, ny, nz): the same, with each column's section worked out once."""
        columns = np.stack(np.meshgrid(x, y, indexing="ij"), axis=-1).reshape(-1, 2)
        shape = (len(x), len(y), len(z))
        values = np.full(len(columns) * len(z), _FAR_MM).reshape(len(columns), len(z))
        section = self.ridge.section(columns)
        inside = np.flatnonzero(section.outside_mm < 2.0)
        columns_inside = Section(
            **{name: value[inside, None] for name, value in vars(section).items()}
        )
        values[inside] = self.ridge.field(columns_inside, z)
        teeth = np.full(shape, _FAR_MM)
        for place in self.standings:
            if not place.present:
                continue
            box = []
            for axis, ticks in zip(range(3), (x, y, z), strict=True):
                low, high = place.middle_mm[axis] + np.array([-1.0, 1.0]) * place.radius_mm
                box.append(slice(*np.searchsorted(ticks, [low, high])))
            mesh = np.meshgrid(x[box[0]], y[box[1]], z[box[2]], indexing="ij")
            points = np.stack([ticks.reshape(-1) for ticks in mesh], axis=1)
            crown = place.field(points).reshape(mesh[0].shape)
            part = teeth[tuple(box)]
            teeth[tuple(box)] = smooth_min(part, crown, self.contact_mm)
        return smooth_min(teeth, values.reshape(shape), self.margin_mm)


def file_frame(plan: CastPlan) -> CastFrame:
    """The plan's orientation: cast frame to file coordinates."""
    axes = {sign + name: (1.0 if sign == "+" else -1.0) * np.eye(3)[k]
            for k, name in enumerate("xyz") for sign in "+-"}  # fmt: skip
    level = CastFrame.from_axes(
        origin_mm=np.array(plan.shift_mm), up=axes[plan.up], front=axes[plan.front]
    )
    front_down, right_down = np.radians(plan.off_level_deg)
    if plan.arch == "upper":
        right_down = -right_down
    c, s = np.cos(front_down), np.sin(front_down)
    nod = np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]])
    c, s = np.cos(right_down), np.sin(right_down)
    roll = np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])
    matrix = level.matrix.copy()
    matrix[:3, :3] = level.matrix[:3, :3] @ nod @ roll
    return CastFrame(matrix)


def skin_of(field: CastField) -> Mesh:
    """Teeth and tissue, cast frame, open at a flat horizontal border under the sulcus."""
    spacing = field.plan.spacing_mm
    half = 41.0
    back, front = field.ridge.back_mm, float(field.curve.point(0.0)[1]) + 13.0
    x = np.arange(-half, half + spacing, spacing)
    y = np.arange(back - 3.0 * spacing, front + spacing, spacing)
    z = np.arange(_SKIN_BOTTOM_MM, _TOP_MM + spacing, spacing)
    net = skin_of_grid(
        field.on_grid(x, y, z),
        origin_mm=np.array([x[0], y[0], z[0]]),
        spacing_mm=np.full(3, spacing),
    )
    border = np.zeros(len(net.vertices), dtype=bool)
    border[net.halfedges[net.twin_halfedges < 0].reshape(-1)] = True
    points = net.vertices.copy()
    points[border, 2] = _SKIN_BOTTOM_MM
    return untangled(settled(Mesh(points, net.faces), field, fixed=border), fixed=border)


def closed_cast(plan: CastPlan) -> SampleCast:
    """A closed cast with a base: one solid, no noise.

    >>> cast = closed_cast(CastPlan(missing=(46, 36), spacing_mm=1.0))
    >>> cast.tooth(46).present, cast.mesh.volume_mm3 > 0.0
    (False, True)
    """
    field = CastField(plan)
    mesh, skin = poured(
        skin_of(field),
        bottom_mm=_SKIN_BOTTOM_MM - plan.base_thickness_mm,
        spacing_mm=plan.spacing_mm,
    )
    frame = file_frame(plan)
    # to the nanometre, so that another processor's last bits do not show in a file
    turned = Mesh(np.round(frame.points_to_file(mesh.vertices), 6), mesh.faces)
    return SampleCast(turned, skin, frame, field.standings, plan)
