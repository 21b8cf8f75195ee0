"""The framework as a file: in the cast's coordinates, in millimetres, a closed solid."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from blockout.cast.cast import Cast, Source
from blockout.cast.scan import BELIEVED_RANGE_MM, read_scan, unit_of_size
from blockout.errors import DefectError, InputError, UnitError
from blockout.kernel.files import read_mesh_file
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import distance_mm
from blockout.mesh import Floats, Mesh, solidity
from blockout.units import MM_PER_UNIT, LengthUnit

NEAR_MM: Final = 3.0
"""A framework rests on its cast; one that comes nowhere nearer than this belongs to another."""
_SHELLS_LIMIT: Final = 200


@dataclass(frozen=True, eq=False)
class Framework:
    """A rigid framework on its cast.

    Parameters
    ----------
    mesh : Mesh
        Closed, outside out; the cast's file coordinates, mm.
    source : Source
    unit : str
        What the file's numbers counted.
    notes : tuple of str
    """

    mesh: Mesh
    source: Source
    unit: LengthUnit
    notes: tuple[str, ...] = ()


def read_framework(path: Path | str, cast: Cast, *, unit: LengthUnit | None = None) -> Framework:
    """Read a framework that lies in the cast's coordinates.

    The unit is the one stated, by the user or in the file; else the one by which the framework's
    size is an arch's, or by which alone it comes to lie at the cast.

    Raises
    ------
    ReadError, UnitError
    DefectError
        It is not a closed solid.
    InputError
        It lies nowhere near the cast.
    """
    found = unit or _unit_told(Path(path), cast)
    scan = read_scan(path, unit=found)
    return framework_of(
        scan.mesh, cast, source=scan.source, unit=scan.unit, notes=() if unit else scan.notes
    )


def framework_of(
    mesh: Mesh,
    cast: Cast,
    *,
    source: Source | None = None,
    unit: LengthUnit = "mm",
    notes: tuple[str, ...] = (),
) -> Framework:
    """A mesh in the cast's coordinates as a framework, checked.

    Raises
    ------
    DefectError
        It is not closed: what is inside it cannot be told.
    InputError
        It lies nowhere near the cast.
    """
    source = source or Source("framework", "")
    found = solidity(mesh)
    if not found.closed:
        twins = mesh.twin_halfedges
        ends = mesh.vertices[mesh.halfedges[twins < 0]].mean(axis=1)
        raise DefectError(
            "the framework is not a closed solid, so what is metal cannot be told",
            measured=", ".join(found.reasons()),
            where=source.name,
            places_mm=[(float(x), float(y), float(z)) for x, y, z in ends[:5]],
            fix="Close it in the program it was drawn in, and export it as one closed solid.",
        )
    if found.volume_mm3 < 0.0:
        mesh = mesh.reversed()
        notes = (*notes, "the framework was inside out and was turned")
    _check_near(mesh, cast, source.name)
    return Framework(mesh, source, unit, notes)


def solid_of(mesh: Mesh) -> Solid:
    """The framework for booleans; shells that overlap are joined, inner ones are hollows.

    Raises
    ------
    KernelError
    """
    label = mesh.face_components()
    count = int(label.max()) + 1
    if not 1 < count <= _SHELLS_LIMIT:
        return Solid.from_mesh(mesh)
    shells = [mesh.part(label == number) for number in range(count)]
    full = Solid.union(Solid.from_mesh(shell) for shell in shells if shell.volume_mm3 > 0.0)
    for shell in shells:
        if shell.volume_mm3 < 0.0:
            full = full - Solid.from_mesh(shell.reversed())
    return full


def _unit_told(path: Path, cast: Cast) -> LengthUnit | None:
    """The unit by which alone the framework lies at the cast; None leaves it to the file or to the
    size.
    """
    file = read_mesh_file(path)
    used = file.vertices[file.faces.reshape(-1)]
    low, high = used.min(axis=0), used.max(axis=0)
    if file.unit is not None or unit_of_size(float((high - low).max())) is not None:
        return None
    fitting: list[LengthUnit] = []
    for unit, factor in MM_PER_UNIT.items():
        size_mm = float((high - low).max()) * factor
        there = BELIEVED_RANGE_MM[0] <= size_mm <= BELIEVED_RANGE_MM[1]
        if there and _boxes_apart_mm(np.stack([low, high]) * factor, cast.mesh.bounds_mm) == 0.0:
            fitting.append(unit)
    if len(fitting) == 1:
        return fitting[0]
    raise UnitError(
        "the unit of the framework cannot be told",
        measured=f"in {', '.join(fitting)} it lies at the cast" if fitting else
        "in none does it lie at the cast",
        where=path.name,
        fix="Say the unit with --unit mm|cm|m|in; the framework must lie in the cast's "
        "coordinates.",
    )  # fmt: skip


def _boxes_apart_mm(one: Floats, other: Floats) -> float:
    gap = np.maximum(np.maximum(one[0] - other[1], other[0] - one[1]), 0.0)
    return float(np.linalg.norm(gap))


def _check_near(mesh: Mesh, cast: Cast, name: str) -> None:
    apart_mm = _boxes_apart_mm(mesh.bounds_mm, cast.mesh.bounds_mm)
    if apart_mm <= NEAR_MM:
        some = mesh.face_centres[:: max(1, mesh.triangle_count // 20_000)]
        points = np.concatenate([some, mesh.vertices[:: max(1, len(mesh.vertices) // 20_000)]])
        apart_mm = float(distance_mm(cast.mesh, points).min())
        near = cast.mesh.vertices
        low, high = mesh.bounds_mm
        near = near[((near >= low - NEAR_MM) & (near <= high + NEAR_MM)).all(axis=1)]
        if apart_mm > NEAR_MM and len(near):
            apart_mm = min(apart_mm, float(distance_mm(mesh, near[:20_000]).min()))
    if apart_mm > NEAR_MM:
        raise InputError(
            "the framework lies nowhere near the cast",
            measured=f"{apart_mm:.1f} mm away at the nearest, at most {NEAR_MM:g} mm",
            where=name,
            fix="Export it in the coordinates of the scan it was drawn on; if only its unit is "
            "wrong, say it with --unit mm|cm|m|in.",
        )
