"""A scan: the mesh of a file in millimetres, and how it came to be so."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from blockout.cast.cast import Source
from blockout.cast.weld import Weld, weld
from blockout.errors import UnitError
from blockout.kernel.files import MeshFile, read_mesh_file
from blockout.mesh import Mesh
from blockout.units import MM_PER_UNIT, LengthUnit

STATED_BY_USER: Final = "stated by the user"
STATED_IN_FILE: Final = "stated in the file"
READ_FROM_SIZE: Final = "read from the size"

# Largest side of the box around a scan of one arch, in mm. Ours: a quadrant is 25 mm long at
# least, an arch with a wide land under 150; other units must give a common arch to be taken.
MM_RANGE: Final = (25.0, 150.0)
ARCH_RANGE_MM: Final = (40.0, 120.0)
# A stated unit is believed for anything between one small tooth part and four casts in a row.
BELIEVED_RANGE_MM: Final = (2.0, 400.0)


@dataclass(frozen=True, eq=False)
class Scan:
    """A scan as read.

    Parameters
    ----------
    mesh : Mesh
        mm; welded where the file is an STL, else as the file holds it.
    source : Source
    unit : "mm", "cm", "m" or "in"
        What the file's numbers count.
    unit_from : str
        "stated by the user", "stated in the file" or "read from the size".
    weld : Weld or None
        What welding did; None where none was needed.
    file : MeshFile
    notes : tuple of str
        What the user should know, in plain words.
    """

    mesh: Mesh
    source: Source
    unit: LengthUnit
    unit_from: str
    weld: Weld | None
    file: MeshFile
    notes: tuple[str, ...]


def read_scan(path: Path | str, *, unit: LengthUnit | None = None) -> Scan:
    """Read a mesh file as a scan of one arch, in millimetres.

    Parameters
    ----------
    path : Path
    unit : "mm", "cm", "m" or "in", optional
        What the file's numbers count. Left out, the file may state it; else the size decides
        where only one unit makes a dental arch of it.

    Raises
    ------
    ReadError
        See :func:`blockout.kernel.files.read_mesh_file`.
    UnitError
        The unit cannot be told, or the one stated makes no arch.
    """
    file = read_mesh_file(path)
    found, unit_from, notes = _unit(file, unit)
    factor = MM_PER_UNIT[found]
    vertices = file.vertices if factor == 1.0 else file.vertices * factor
    welded = weld(vertices, file.faces) if file.format.startswith("STL") else None
    mesh = Mesh(vertices, file.faces) if welded is None else welded.mesh
    if welded is not None:
        notes = (*notes, welded.sentence())
    return Scan(
        mesh=mesh,
        source=Source(name=file.name, sha256=file.sha256),
        unit=found,
        unit_from=unit_from,
        weld=welded,
        file=file,
        notes=(*file.notes, *notes),
    )


def _unit(file: MeshFile, stated: LengthUnit | None) -> tuple[LengthUnit, str, tuple[str, ...]]:
    used = file.vertices[file.faces.reshape(-1)]
    with np.errstate(over="ignore"):
        size = float((used.max(axis=0) - used.min(axis=0)).max())
    if stated is not None:
        _believed(file, size, stated, "stated with --unit")
        said: tuple[str, ...] = ()
        if file.unit is not None and file.unit != stated:
            said = (f"the file states {file.unit}; {stated} was taken, as asked",)
        return stated, STATED_BY_USER, said
    if file.unit is not None:
        _believed(file, size, file.unit, "stated in the file")
        return file.unit, STATED_IN_FILE, ()
    found = unit_of_size(size)
    if found is None:
        raise _unit_error(file, size, "the unit of the file cannot be told from its size")
    notes: tuple[str, ...] = (
        f"the unit was read from the size: {size:.4g} {found} "
        f"({size * MM_PER_UNIT[found]:.1f} mm) across",
    )
    if file.format in ("GLB", "glTF") and found != "m":
        notes = (f"glTF counts in metres by its standard, but this file holds {found}", *notes)
    return found, READ_FROM_SIZE, notes


def unit_of_size(size: float) -> LengthUnit | None:
    """The unit in which a box with this longest side is one dental arch; None where none or more
    than one is.

    >>> unit_of_size(62.0), unit_of_size(0.062), unit_of_size(2.4), unit_of_size(4.4)
    ('mm', 'm', 'in', None)
    """
    if MM_RANGE[0] <= size <= MM_RANGE[1]:
        return "mm"
    low, high = ARCH_RANGE_MM
    others: tuple[LengthUnit, ...] = ("cm", "m", "in")
    fitting = [unit for unit in others if low <= size * MM_PER_UNIT[unit] <= high]
    return fitting[0] if len(fitting) == 1 else None


def _believed(file: MeshFile, size: float, unit: LengthUnit, said: str) -> None:
    low, high = BELIEVED_RANGE_MM
    if not low <= size * MM_PER_UNIT[unit] <= high:
        raise _unit_error(file, size, f"the unit {unit}, {said}, makes no dental arch of this file")


def _unit_error(file: MeshFile, size: float, what: str) -> UnitError:
    each = ", ".join(f"{size * factor:.4g} mm if {unit}" for unit, factor in MM_PER_UNIT.items())
    low, high = ARCH_RANGE_MM
    return UnitError(
        what,
        measured=f"its longest side is {size:.4g}: {each}; an arch is {low:g} to {high:g} mm",
        where=file.name,
        fix=f"Say the unit with --unit {'|'.join(MM_PER_UNIT)}.",
    )
