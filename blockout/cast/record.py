"""A cast in one file: a binary PLY whose comments carry the record.

Coordinates are in 64 bit, the face property ``scanned`` says which faces were scanned, and each
line ``blockout cast KEY VALUE`` among the comments holds one value of the record as JSON. Other
programs open the file as a plain mesh in millimetres.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final, get_args

import numpy as np

from blockout.case.settings import Arch
from blockout.cast.cast import Cast, Source
from blockout.cast.frame import CastFrame
from blockout.errors import ReadError
from blockout.kernel.files import MeshFile, read_mesh_file, write_ply
from blockout.mesh import Mesh

SCHEMA: Final = 1
_PREFIX: Final = "blockout cast "
_FIELD: Final = "scanned"
_FIX: Final = "Run `blockout prepare` on the scan again."


def write_cast(path: Path | str, cast: Cast) -> None:
    """Write a cast so that :func:`read_cast` gives it back to the bit.

    Raises
    ------
    OutputError
        The place cannot be written.
    """
    record: dict[str, Any] = {
        "schema": SCHEMA,
        "arch": cast.arch,
        "arch_stated": cast.arch_stated,
        "frame": cast.frame.matrix.tolist(),
        "noise_mm": cast.noise_mm,
        "floor_mm": cast.floor_mm,
        "source_name": cast.source.name,
        "source_sha256": cast.source.sha256,
    }
    # JSON writes the shortest decimal that reads back to the same 64-bit number
    comments = [f"{_PREFIX}{key} {json.dumps(value)}" for key, value in record.items()]
    write_ply(
        Path(path),
        cast.mesh,
        comments=comments,
        face_fields={_FIELD: cast.scanned.astype(np.uint8)},
    )


def read_cast(path: Path | str | MeshFile) -> Cast | None:
    """The cast a file carries; None where it carries no record of ours.

    Parameters
    ----------
    path : Path or MeshFile
        The file, or what :func:`~blockout.kernel.files.read_mesh_file` made of it.

    Raises
    ------
    ReadError
        The file is no mesh, or its record is of another version, incomplete or damaged.
    DefectError
        The mesh was changed since and is no solid.
    """
    file = path if isinstance(path, MeshFile) else read_mesh_file(path)
    lines = [text[len(_PREFIX) :] for text in file.comments if text.startswith(_PREFIX)]
    if not lines:
        return None
    record = _record(file, lines)
    flags = file.face_fields.get(_FIELD)
    if flags is None:
        raise _damaged(file, f"its faces have no property {_FIELD!r}")
    if not np.isin(flags, (0, 1)).all():
        raise _damaged(file, f"the property {_FIELD!r} is not 0 or 1 everywhere")
    if file.unit != "mm":
        raise _damaged(file, f"the unit is {file.unit or 'not stated'}, not mm")
    try:
        frame = CastFrame(_numbers(record["frame"], shape=(4, 4)))
    except ValueError as error:
        raise _damaged(file, "the frame is not a rotation and a shift") from error
    arch = record["arch"]
    if arch not in get_args(Arch):
        raise _damaged(file, f"the arch is {arch!r}")
    if not isinstance(record["arch_stated"], bool):
        raise _damaged(file, f"arch_stated is {record['arch_stated']!r}")
    texts = record["source_name"], record["source_sha256"]
    if not all(isinstance(text, str) for text in texts):
        raise _damaged(file, "the source is not text")
    try:
        noise_mm, floor_mm = _numbers([record["noise_mm"], record["floor_mm"]], shape=(2,))
    except ValueError as error:
        raise _damaged(file, "noise or floor is not a number") from error
    if noise_mm < 0.0:
        raise _damaged(file, f"the noise is {noise_mm:g} mm")
    return Cast(
        mesh=Mesh(file.vertices, file.faces),
        scanned=flags.astype(bool),
        frame=frame,
        arch=arch,
        arch_stated=record["arch_stated"],
        noise_mm=float(noise_mm),
        floor_mm=float(floor_mm),
        source=Source(name=texts[0], sha256=texts[1]),
    )


_KEYS: Final = (
    "schema", "arch", "arch_stated", "frame", "noise_mm", "floor_mm", "source_name",
    "source_sha256",
)  # fmt: skip


def _record(file: MeshFile, lines: list[str]) -> dict[str, Any]:
    record: dict[str, Any] = {}
    for line in lines:
        key, _, value = line.partition(" ")
        try:
            parsed = json.loads(value)
        except (ValueError, RecursionError) as error:
            raise _damaged(file, f"the value of {key!r} is not JSON") from error
        if key in record:
            raise _damaged(file, f"{key!r} is there twice")
        record[key] = parsed
    schema = record.get("schema")
    if schema != SCHEMA or isinstance(schema, bool):
        raise ReadError(
            "the cast was written by another version of this program",
            measured=f"its record has schema {schema!r}, this version reads {SCHEMA}",
            where=file.name,
            fix=_FIX,
        )
    missing = [key for key in _KEYS if key not in record]
    if missing:
        raise _damaged(file, f"it lacks {', '.join(missing)}")
    return record


def _numbers(values: Any, *, shape: tuple[int, ...]) -> np.ndarray[Any, np.dtype[np.float64]]:
    try:
        numbers = np.array(values, dtype=np.float64)
    except TypeError as error:
        raise ValueError("not numbers") from error
    if numbers.shape != shape or not np.isfinite(numbers).all():
        raise ValueError("not these many finite numbers")
    return numbers


def _damaged(file: MeshFile, measured: str) -> ReadError:
    return ReadError(
        "the record of the cast is damaged", measured=measured, where=file.name, fix=_FIX
    )
