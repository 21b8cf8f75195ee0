"""Files for a printer: written, then read back and compared with what was planned."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np

from blockout import __version__
from blockout.cast.weld import weld
from blockout.errors import CheckError, InputError
from blockout.kernel.files import NamedMesh, read_mesh_file, write_3mf, write_glb
from blockout.mesh import Mesh, solidity
from blockout.units import MM_PER_UNIT, LengthUnit

PrintFormat = Literal["stl", "ply", "3mf", "glb"]

UNIT_OF: Final[dict[str, LengthUnit]] = {"3mf": "mm", "glb": "m"}
"""Formats that state their own unit, so that every reader takes the true size from them."""


@dataclass(frozen=True, eq=False)
class PrintFile:
    """A file as it came back.

    Parameters
    ----------
    sha256 : str
    size_bytes : int
    unit : "mm", "cm", "m" or "in"
        Of the numbers in it.
    mesh : Mesh
        Read back, mm.
    off_mm3 : float
        How far its volume is off what was planned.
    slack_mm3 : float
        How far it may be, from the rounding of the format.
    """

    sha256: str
    size_bytes: int
    unit: LengthUnit
    mesh: Mesh
    off_mm3: float
    slack_mm3: float

    def facts(self) -> dict[str, Any]:
        """Measured from the file."""
        size = self.mesh.bounds_mm[1] - self.mesh.bounds_mm[0]
        return {
            "sha256": self.sha256,
            "bytes": self.size_bytes,
            "unit": self.unit,
            "triangles": self.mesh.triangle_count,
            "closed": solidity(self.mesh).closed,
            "volume_mm3": self.mesh.volume_mm3,
            "off_planned_mm3": self.off_mm3,
            "allowed_off_mm3": self.slack_mm3,
            "size_mm": [float(side) for side in size],
        }


def unit_of_file(file_format: PrintFormat, unit: LengthUnit) -> LengthUnit:
    """The unit of the numbers in a file: the format's own where it states one.

    Raises
    ------
    InputError
        Another unit than mm is asked for where the format has its own.

    >>> unit_of_file("stl", "in"), unit_of_file("glb", "mm")
    ('in', 'm')
    """
    own = UNIT_OF.get(file_format)
    if own is not None and unit not in ("mm", own):
        raise InputError(
            f"a {file_format.upper()} file is not written in {unit}",
            measured=f"its own unit is {own}, which every reader takes from it",
            fix="Leave --unit out, or write --format stl or ply.",
        )
    return own or unit


def write_print_file(
    path: Path,
    part: NamedMesh,
    *,
    file_format: PrintFormat,
    unit: LengthUnit,
    metadata: Mapping[str, str],
) -> PrintFile:
    """Write one solid and read it back.

    STL holds no unit: its header says it in words, which most readers pass over. PLY says it in a
    comment. 3MF (here in mm) and GLB (metres, by its standard) state their own.

    Raises
    ------
    InputError, OutputError
    CheckError
        What comes back is not the closed solid that was planned, or not in its unit.
    """
    from blockout.kernel import ply_files, stl_files

    file_unit = unit_of_file(file_format, unit)
    in_unit = part.mesh
    if unit != "mm" and file_format not in UNIT_OF:
        in_unit = part.mesh.scaled(1.0 / MM_PER_UNIT[unit])
    if file_format == "stl":
        header = f"blockout {__version__}; blockout unit {unit}"
        path.write_bytes(stl_files.binary_bytes(in_unit, header=header))
    elif file_format == "ply":
        comments = [f"blockout {key} {value}" for key, value in metadata.items()]
        path.write_bytes(
            ply_files.binary_bytes(in_unit, comments=[f"blockout unit {unit}", *comments])
        )
    elif file_format == "3mf":
        write_3mf(path, [part], metadata=metadata)
    else:
        write_glb(path, [part], metadata=metadata)
    return read_back(path, part, unit=file_unit)


def read_back(path: Path, planned: NamedMesh, *, unit: LengthUnit) -> PrintFile:
    """Read a file and hold it against what was planned.

    Raises
    ------
    ReadError
    CheckError
    """
    back = read_mesh_file(path)
    if back.unit is not None and back.unit != unit:
        raise CheckError(
            f"the file of {planned.name} comes back in another unit",
            measured=f"{back.unit}, written {unit}",
            fix="This is a fault of blockout; try another --format meanwhile.",
        )
    # sheets apart in memory may share a place in the file: places alone say how they hang together
    mesh = weld(MM_PER_UNIT[unit] * back.vertices, back.faces).mesh
    state = solidity(mesh)
    # a corner moves by half a step of single precision at most
    step_mm = float(np.spacing(np.float32(np.abs(planned.mesh.vertices).max())))
    slack_mm3 = step_mm * float(planned.mesh.face_areas_mm2.sum())
    off_mm3 = mesh.volume_mm3 - planned.mesh.volume_mm3
    if not state.closed or abs(off_mm3) > slack_mm3:
        raise CheckError(
            f"the file of {planned.name} does not come back as the solid that was planned",
            measured="; ".join(
                [
                    *state.reasons(),
                    f"volume {mesh.volume_mm3:.6f} mm3, planned {planned.mesh.volume_mm3:.6f}",
                ]
            ),
            fix="This is a fault of blockout; try another --format meanwhile.",
        )
    return PrintFile(
        sha256=back.sha256,
        size_bytes=path.stat().st_size,
        unit=unit,
        mesh=mesh,
        off_mm3=off_mm3,
        slack_mm3=slack_mm3,
    )
