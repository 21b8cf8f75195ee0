"""The free space around a cast, from which wax is taken part by part.

The space is a block around the cast less the cast. Parting it by a body gives the wax, which is
what body and space share, and the space left: so wax never overlaps the cast nor wax poured before
it, parts meet without a crack, and wax and rest must add up to what there was. What is left in the
end is the mould of the model.

Everything here stands upright: x and y are square to the path, z is the height over the flat
bottom, so that the path runs along z and the floor is level, whatever the tilt. Walls along the
path are then exactly vertical, floors exactly coplanar, and boxes around both thin. Along a tilted
path this is a shear, which keeps lines, planes, and what lies inside what; volumes shrink by the
cosine of the tilt.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from blockout.cast.cast import Cast
from blockout.errors import KernelError
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Ints, Mesh, joined
from blockout.surveying.path import InsertionPath
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.curtains.apart import NotApartError
from blockout.wax.curtains.hang import under_ceilings
from blockout.wax.specks import without_specks

_BLOCK_CORNERS = np.array([[x, y, z] for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=float)
_BLOCK_FACES = np.array(
    [
        [0, 2, 1], [1, 2, 3], [4, 5, 6], [5, 7, 6], [0, 1, 4], [1, 5, 4],
        [2, 6, 3], [3, 6, 7], [0, 4, 2], [2, 4, 6], [1, 3, 5], [3, 7, 5],
    ]
)  # fmt: skip

_LAST_PLACES = 16.0


@dataclass(frozen=True, eq=False)
class UnderCeilings:
    """What lies under ceilings of a bare cast, found without the kernel.

    Parameters
    ----------
    wax : Mesh
        File coordinates.
    left : Space
        The rest.
    upright : Mesh
        The wax once more, upright and with all specks.
    """

    wax: Mesh
    left: Space
    upright: Mesh


@dataclass(frozen=True, eq=False)
class Space:
    """What is free around a cast, in the block around it.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    upright : Mesh
        The cast's mesh, upright; the same faces in the same order.
    to_upright : (4, 4) float
        File coordinates to upright ones.
    held : Mesh or Solid
        What is known of it, upright: the surface of the cast with the wax taken so far, or what is
        free as a solid of the kernel. Each is made of the other when it is asked for.
    block_mm : (2, 3) float
        Lowest and highest corner of the block, upright; wax beyond it is cut off.
    """

    cast: Cast
    path: InsertionPath
    upright: Mesh
    to_upright: Floats
    held: Mesh | Solid
    block_mm: Floats

    @cached_property
    def free(self) -> Solid:
        """What is free, upright.

        Raises
        ------
        KernelError
            The kernel does not take the cast.
        """
        if isinstance(self.held, Solid):
            return self.held
        return Solid.from_mesh(joined([_block(self.block_mm), self.held.reversed()]))

    @cached_property
    def filled(self) -> Mesh:
        """The surface of the cast with the wax taken so far, upright."""
        if isinstance(self.held, Mesh):
            return self.held
        around = self.held.mesh()
        on_block = np.flatnonzero(
            ((around.vertices == self.block_mm[0]) | (around.vertices == self.block_mm[1])).any(1)
        )
        inner: Bools = ~np.asarray(np.isin(around.faces, on_block).any(axis=1))
        return around.part(inner).reversed()

    def under(self, ceiling: Ints, *, tolerances: Tolerances = TOLERANCES) -> UnderCeilings | None:
        """All that lies under faces of the bare cast, down to the floor. None where something was
        taken before, or only the kernel can tell.
        """
        if self.held is not self.upright:
            return None
        roof = np.zeros(self.upright.triangle_count, dtype=bool)
        roof[ceiling] = True
        try:
            hung = under_ceilings(self.upright, roof, tolerances=tolerances)
        except NotApartError:
            return None
        left = replace(self, held=hung.filled)
        # new vertices lie on the cast in its own coordinates, not only but for rounding
        own = self.cast.mesh.vertices
        left.__dict__["_places"] = _Places.of_both(
            np.concatenate([self.upright.vertices, hung.knots_mm]),
            np.concatenate([own, hung.shares.among(own)]),
        )
        wax = without_specks(hung.wax, film_mm=tolerances.ceiling_lift_mm)
        return UnderCeilings(left._in_file(wax), left, hung.wax)

    def take(self, body: Solid, *, tolerances: Tolerances = TOLERANCES) -> tuple[Mesh, Space]:
        """The wax that ``body``, upright, fills of the space, in file coordinates; and the rest.

        The wax has no triangles where the body fills nothing, or nothing but specks.

        Raises
        ------
        KernelError
            Wax and rest do not add up.
        """
        if body.is_empty:
            return body.mesh(), self
        low, high = self.block_mm
        wider = Solid.from_mesh(_block(np.stack([low - 1.0, high + 1.0])))
        wax, rest = _proved(self.free, body, wider, tolerances)
        mesh = without_specks(wax.mesh(), film_mm=tolerances.ceiling_lift_mm)
        return self._in_file(mesh), self._with(rest)

    def stand(self, body: Solid) -> Solid:
        """A body of file coordinates, upright."""
        return body.turned(self.to_upright)

    def carve(self, body: Solid, *, tolerances: Tolerances = TOLERANCES) -> tuple[Mesh, Space]:
        """What ``body``, upright, takes away of the cast, in file coordinates; and the space with
        that added to it.
        """
        groove = body - self.free
        mesh = without_specks(groove.mesh(), film_mm=tolerances.ceiling_lift_mm)
        return self._in_file(mesh), self._with(self.free + body)

    @property
    def free_mm3(self) -> float:
        """Volume of what is free, mm3."""
        if isinstance(self.held, Solid):
            return self.held.volume_mm3 / self._shrinks
        block_mm3 = float(np.prod(self.block_mm[1] - self.block_mm[0]))
        return (block_mm3 - self.held.volume_mm3) / self._shrinks

    def shared_mm3(self, body: Solid) -> float:
        """Volume that ``body``, upright, would fill, mm3."""
        return 0.0 if body.is_empty else self.volume_mm3(self.free ^ body)

    def volume_mm3(self, body: Solid) -> float:
        """Volume of a body given upright, mm3."""
        return body.volume_mm3 / self._shrinks

    def mould_filled(self, *, tolerances: Tolerances = TOLERANCES) -> Mesh:
        """Cast and all wax taken so far as one surface, file coordinates."""
        return self.mould_and_films(tolerances=tolerances)[0]

    def mould_and_films(self, *, tolerances: Tolerances = TOLERANCES) -> tuple[Mesh, float]:
        """The same; and the volume of the films of air that it fills, mm3.

        Wax beside an upright wall of the cast may shut in a film of air as thin as the lift of
        ceilings; where it is long, it holds more than volumes that add up may differ by.
        """
        mesh = self.filled
        full = without_specks(mesh, film_mm=tolerances.ceiling_lift_mm)
        return self._in_file(full), (full.volume_mm3 - mesh.volume_mm3) / self._shrinks

    def _in_file(self, mesh: Mesh) -> Mesh:
        """Put back; what is known there comes back to the bit, the cast's own vertices first."""
        back = np.linalg.inv(self.to_upright)
        vertices = mesh.vertices @ back[:3, :3].T + back[:3, 3]
        row, own = self._places.of(mesh.vertices)
        vertices[own] = self._places.in_file[row[own]]
        return mesh.reshaped(vertices)

    @property
    def up_seen_along(self) -> tuple[float, float, float]:
        """How much higher one gets, by 1 mm along x, along y (both square to the path), and along
        the path.
        """
        x, y, along = self.path.to_path @ self.cast.frame.up
        return float(x), float(y), float(along)

    @property
    def _shrinks(self) -> float:
        return float(np.linalg.det(self.to_upright[:3, :3]))

    def _with(self, held: Mesh | Solid) -> Space:
        """The same, but for what is free."""
        space = replace(self, held=held)
        space.__dict__["_places"] = self._places  # the cast is the same
        return space

    @cached_property
    def _places(self) -> _Places:
        return _Places.of_both(self.upright.vertices, self.cast.mesh.vertices)


def free_space(cast: Cast, path: InsertionPath, *, tolerances: Tolerances = TOLERANCES) -> Space:
    """All the space around a cast, before any wax."""
    to_upright = np.eye(4)
    to_upright[:2, :3] = path.to_path[:2]
    to_upright[2, :3] = cast.frame.up
    to_upright[2, 3] = -float(cast.frame.up @ cast.frame.matrix[:3, 3]) - cast.floor_mm
    vertices = cast.mesh.vertices @ to_upright[:3, :3].T + to_upright[:3, 3]
    level = np.abs(vertices[:, 2]) < tolerances.level_floor_mm
    vertices[level, 2] = 0.0
    upright = cast.mesh.reshaped(vertices)
    low, high = upright.bounds_mm
    margin_mm = float(np.linalg.norm(high - low)) + 1.0
    block_mm = np.stack([low - margin_mm, high + margin_mm])
    return Space(
        cast=cast,
        path=path,
        upright=upright,
        to_upright=to_upright,
        held=upright,
        block_mm=block_mm,
    )


def _block(corners_mm: Floats) -> Mesh:
    return Mesh(np.where(_BLOCK_CORNERS > 0, corners_mm[1], corners_mm[0]), _BLOCK_FACES)


def _parted(free: Solid, around: Solid) -> tuple[Solid, Solid]:
    """What free space shares with a body, given what is around the body, and the space left.

    The space is parted by what is around the body, not by the body: where both lie on one plane,
    as on the floor, they then lie on the same side of it, and the kernel leaves no film between.
    """
    rest, shared = free.parted_by(around)
    return shared, rest


def _proved(free: Solid, body: Solid, block: Solid, tolerances: Tolerances) -> tuple[Solid, Solid]:
    """The same, proved to add up to the space.

    Where a cut meets needles the kernel may bend them straight and lose more than a needle; then
    other ways to the same two solids are tried.
    """
    # the volumes compared are those of the whole block: what a small body may lose lies under the
    # last places of their sums
    allowed_mm3 = tolerances.kernel_relative * (body.volume_mm3 + 1.0)
    allowed_mm3 += _LAST_PLACES * float(np.spacing(free.volume_mm3))
    ways: list[Callable[[], tuple[Solid, Solid]]] = [
        lambda: _parted(free, block - body),
        lambda: (body ^ free, free - body),
        lambda: (body ^ free, free - (body ^ free)),
        lambda: (body - (block - free), (free + body) - body),
    ]
    nearest: tuple[float, Solid, Solid] | None = None
    for way in ways:
        shared, rest = way()
        off_mm3 = abs(shared.volume_mm3 + rest.volume_mm3 - free.volume_mm3)
        if off_mm3 <= allowed_mm3:
            return shared, rest
        if nearest is None or off_mm3 < nearest[0]:
            nearest = off_mm3, shared, rest
    assert nearest is not None
    if nearest[0] <= tolerances.kernel_loss_mm3:
        return nearest[1:]
    raise KernelError(
        "the solid kernel lost volume while cutting the cast off the wax",
        measured=f"{nearest[0]:.3g} mm3, allowed {tolerances.kernel_loss_mm3:.3g}",
        fix="This is a fault of blockout; the scan and the path would help to mend it.",
    )


@dataclass(frozen=True, eq=False)
class _Places:
    """Points looked up by their exact upright coordinates, and the same points in the file's."""

    points: Floats
    in_file: Floats
    order: Ints
    key: Ints

    @classmethod
    def of_both(cls, points: Floats, in_file: Floats) -> _Places:
        key = _keys(points)
        order = np.argsort(key, kind="stable")
        return cls(points, in_file, order, key[order])

    def of(self, asked: Floats) -> tuple[Ints, Bools]:
        """Row of the equal point for each of ``asked`` (k, 3), and whether there is one."""
        at = np.minimum(np.searchsorted(self.key, _keys(asked)), len(self.key) - 1)
        row = self.order[at]
        equal: Bools = (self.points[row] == asked).all(axis=1)
        return row, equal


def _keys(points: Floats) -> Ints:
    """(k,) one number from three coordinates; equal for equal points and hardly ever else."""
    bits = np.ascontiguousarray(points + 0.0).view(np.uint64)
    mixed = bits * np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)
    mixed ^= mixed >> np.uint64(29)
    keys: Ints = (mixed[:, 0] ^ mixed[:, 1] * np.uint64(3) ^ mixed[:, 2] * np.uint64(7)).view(
        np.int64
    )
    return keys
