"""The built model as files: formats, frames, and a look at what was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final, Literal, get_args

import numpy as np

from blockout.cast.cast import Cast
from blockout.cast.frame import CastFrame
from blockout.cast.weld import weld
from blockout.errors import CheckError
from blockout.kernel.files import (
    NamedMesh,
    read_mesh_file,
    write_3mf,
    write_glb,
    write_ply,
    write_stl,
)
from blockout.mesh import Mesh, solidity
from blockout.model.build import Model
from blockout.model.touching import pulled_apart
from blockout.tolerances import TOLERANCES, Tolerances
from blockout.wax.wax import Wax

Format = Literal["stl", "ply", "3mf", "glb"]
FORMATS: Final[tuple[Format, ...]] = get_args(Format)


def fit_for_files(
    model: Model, waxes: Sequence[Wax], *, tolerances: Tolerances = TOLERANCES
) -> tuple[Model, tuple[Wax, ...]]:
    """Model and wax such that no file format makes one of sheets that only touch; see
    :mod:`blockout.model.touching`.
    """
    steps = tolerances.touch_steps
    mesh = pulled_apart(model.mesh, steps=steps)
    fit = Model(mesh, mesh.volume_mm3, solidity(mesh))
    parts = []
    for wax in waxes:
        if wax.mesh is not None:
            part = pulled_apart(wax.mesh, steps=steps)
            if part.triangle_count:
                wax = replace(wax, mesh=part, volume_mm3=part.volume_mm3)
            else:
                wax = replace(wax, mesh=None, volume_mm3=0.0)
        parts.append(wax)
    return fit, tuple(parts)


def parts_of(cast: Cast, waxes: Sequence[Wax]) -> list[NamedMesh]:
    """Cast and each wax part that is not empty, as named objects of one file."""
    return [
        NamedMesh("cast", cast.mesh, "cast"),
        *(NamedMesh(wax.name, wax.mesh, wax.kind) for wax in waxes if wax.mesh is not None),
    ]


def in_cast_frame(mesh: Mesh, frame: CastFrame) -> Mesh:
    """The mesh in the cast frame: occlusal plane at z = 0, front along +y."""
    return Mesh(frame.points_to_cast(mesh.vertices), mesh.faces)


def write_model(
    path: Path,
    model: Mesh,
    parts: Sequence[NamedMesh],
    *,
    file_format: Format,
    metadata: Mapping[str, str],
) -> None:
    """Write a model in one of the formats.

    STL and PLY hold cast and wax as one solid; 3MF and GLB hold them as separate named objects.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    if file_format == "stl":
        write_stl(path, model)
    elif file_format == "ply":
        comments = [f"blockout {key} {value}" for key, value in metadata.items()]
        write_ply(path, model, comments=["blockout unit mm", *comments])
    elif file_format == "3mf":
        write_3mf(path, parts, metadata=metadata)
    else:
        write_glb(path, parts, metadata=metadata)


def check_stl(path: Path, planned: Mesh) -> None:
    """Read an STL back: it must be the closed solid that was planned, after rounding too.

    The format holds single precision and no connection: vertices closer than its step come back
    as one.

    Raises
    ------
    CheckError
        What comes back is not closed, or has another volume.
    """
    back = read_mesh_file(path)
    mesh = weld(back.vertices, back.faces).mesh
    state = solidity(mesh)
    # a corner moves by half a step of single precision at most
    step_mm = float(np.spacing(np.float32(np.abs(planned.vertices).max())))
    slack_mm3 = step_mm * float(planned.face_areas_mm2.sum())
    if not state.closed or abs(mesh.volume_mm3 - planned.volume_mm3) > slack_mm3:
        raise CheckError(
            f"{path.name} does not come back as the solid that was planned",
            measured="; ".join(
                [
                    *state.reasons(),
                    f"volume {mesh.volume_mm3:.6f} mm3, planned {planned.volume_mm3:.6f}",
                ]
            ),
            fix="This is a fault of blockout; the scan and the path would help to mend it.",
        )
