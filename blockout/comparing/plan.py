"""The plan: what the blocked-out cast should look like, and what of it a scan is held against."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from blockout.cast.cast import Cast
from blockout.comparing.align import Target
from blockout.comparing.regions import Regions
from blockout.comparing.sampling import spread_over
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Ints, Mesh, joined, solidity
from blockout.surveying.path import InsertionPath

_CLEAR_MM: Final = 0.4
"""Surface nearer to wax than this is not taken as free of wax: a hand-smoothed edge runs out."""
_ON_WAX_MM: Final = 0.002
"""A face of the model this near to a wax part's surface is that wax's: files round by 4 nm, and
the meshes of parts and model are cut from each other."""
_LOOKED_AT_MM2: Final = 0.1
_WAX_SHARE: Final = 0.5
_TRACE_MM: Final = 0.05


@dataclass(frozen=True, eq=False)
class Part:
    """One planned piece of wax; a bead's volume is taken away of the cast."""

    name: str
    kind: str
    mesh: Mesh
    volume_mm3: float


@dataclass(frozen=True)
class Terminal:
    """Where an arm ends and its ledge's height and depth are read.

    Parameters
    ----------
    name : str
    tooth : int
    at_mm : (x, y, z)
        On the tooth, file coordinates.
    depth_mm : float
        The undercut depth that was planned there.
    back : (x, y, z)
        Unit direction from the terminal along the arm toward its origin.
    """

    name: str
    tooth: int
    at_mm: tuple[float, float, float]
    depth_mm: float
    back: tuple[float, float, float]


@dataclass(frozen=True, eq=False)
class Plan:
    """What was planned on one cast.

    Parameters
    ----------
    cast : Cast
    path : InsertionPath
    model : Mesh
        Cast and wax as one closed solid, file coordinates.
    parts : tuple of Part
        Wax, beads left out.
    regions : Regions
        Of the teeth, or of the arch.
    terminals : tuple of Terminal
    """

    cast: Cast
    path: InsertionPath
    model: Mesh
    parts: tuple[Part, ...]
    regions: Regions
    terminals: tuple[Terminal, ...] = ()

    @property
    def volume_mm3(self) -> float:
        """Of all wax."""
        return sum(part.volume_mm3 for part in self.parts)

    @cached_property
    def wax(self) -> Mesh:
        """All parts side by side."""
        return joined([part.mesh for part in self.parts])

    @cached_property
    def part_of_wax_face(self) -> Ints:
        """(k,) which part each face of :attr:`wax` belongs to."""
        return np.repeat(
            np.arange(len(self.parts)), [part.mesh.triangle_count for part in self.parts]
        )

    @cached_property
    def part_of_face(self) -> Ints:
        """(m,) which part shows at each face of the model; -1 where the cast does."""
        if not self.parts:
            return np.full(self.model.triangle_count, -1, dtype=np.int64)
        near = nearest_places(self.wax, self.model.face_centres)
        normal = self.wax.face_normals[near.face]
        same = np.einsum("ij,ij->i", normal, self.model.face_normals) > 0.7
        return np.where(
            (near.distance_mm < _ON_WAX_MM) & same, self.part_of_wax_face[near.face], -1
        )

    @cached_property
    def surveyed(self) -> Bools:
        """(m,) faces of the model that a scan is held against: scanned surface and wax, no base."""
        near = nearest_places(self.cast.mesh, self.model.face_centres)
        on_base = (near.distance_mm < _ON_WAX_MM) & ~self.cast.scanned[near.face]
        held: Bools = (self.part_of_face >= 0) | ~on_base
        return held

    @cached_property
    def target(self) -> Target:
        """What scans are laid on.

        Raises
        ------
        InputError
            Wax covers all that was scanned.
        """
        free = self.cast.scanned & ~self._touched
        if not free.any():
            raise InputError(
                "nothing of the cast is free of wax, so no scan can be laid on it",
                measured=f"0 mm2 further than {_CLEAR_MM} mm from wax",
                fix="Compare in the cast's own coordinates with --in-place.",
            )
        return Target(self.cast.mesh.part(free), self.model.part(self.surveyed))

    @property
    def _touched(self) -> Bools:
        """(m,) faces of the cast that wax is near to anywhere, or that the model does not show:
        beads are carved there.
        """
        mesh = self.cast.mesh
        count = int(min(max(mesh.face_areas_mm2.sum() / _LOOKED_AT_MM2, 1000.0), 300_000))
        seen = spread_over(mesh, count)
        points = np.concatenate([mesh.face_centres, seen.points_mm])
        face = np.concatenate([np.arange(mesh.triangle_count), seen.face])
        at = nearest_places(self.model, points).distance_mm > _ON_WAX_MM
        if self.parts:
            at |= nearest_places(self.wax, points).distance_mm < _CLEAR_MM
        touched = np.zeros(mesh.triangle_count, dtype=bool)
        touched[face[at]] = True
        return touched


def plan_from_parts(
    cast: Cast,
    path: InsertionPath,
    *,
    model: Mesh,
    parts: Sequence[Part],
    regions: Regions,
    terminals: Sequence[Terminal] = (),
) -> Plan:
    """The plan of a build: cast, model, and its wax part by part; beads are left out of the parts.

    Raises
    ------
    InputError
        The model is no closed solid.
    """
    _closed(model, "the planned model")
    wax = tuple(part for part in parts if part.kind != "bead" and part.mesh.triangle_count)
    return Plan(cast, path, model, wax, regions, tuple(terminals))


def plan_from_model(
    cast: Cast, path: InsertionPath, expected: Mesh, *, regions: Regions, name: str = "expected"
) -> Plan:
    """The plan in one file without its parts: a blocked-out model on this cast, or wax alone.

    A file whose solid fills less than half of the cast is taken as wax alone. Each connected piece
    of wax becomes a part.

    Raises
    ------
    InputError
        It is no closed solid, or holds no wax beyond the cast.
    """
    _closed(expected, name)
    whole, given = Solid.from_mesh(cast.mesh), Solid.from_mesh(expected)
    is_model = (whole ^ given).volume_mm3 > _WAX_SHARE * whole.volume_mm3
    wax = (given - whole).mesh()
    model = expected if is_model else (whole + given).mesh()
    parts = []
    if wax.triangle_count:
        piece = wax.face_components()
        for number in range(int(piece.max()) + 1):
            mesh = wax.part(piece == number)
            # films and crumbs of rounding are no wax
            if mesh.volume_mm3 > _TRACE_MM * mesh.face_areas_mm2.sum() / 20.0 and (
                mesh.volume_mm3 > _TRACE_MM**3
            ):
                parts.append(mesh)
    if not parts:
        raise InputError(
            f"{name} holds no wax beyond the cast",
            measured=f"{wax.volume_mm3:.3g} mm3",
            fix="Name the blocked-out model, or its wax, in the cast's coordinates.",
        )
    parts.sort(key=lambda mesh: -mesh.volume_mm3)
    return Plan(
        cast,
        path,
        model,
        tuple(
            Part(f"wax-{number}", "wax", mesh, mesh.volume_mm3)
            for number, mesh in enumerate(parts, start=1)
        ),
        regions,
    )


def _closed(mesh: Mesh, name: str) -> None:
    answer = solidity(mesh)
    if not answer.closed or answer.volume_mm3 <= 0.0:
        raise InputError(
            f"{name} is no closed solid",
            measured=", ".join(answer.reasons()),
            fix="Export it as a closed mesh.",
        )
