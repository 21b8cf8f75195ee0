"""glTF 2.0, binary (GLB) and text. The only file that imports trimesh.

trimesh passes over what it does not know: sparse and packed data become zeros, fans and unknown
modes are skipped, and other files are fetched. So the file's own table of contents is read first
and anything but plain triangles in 32-bit floats is refused.
"""

from __future__ import annotations

import io
import json
import logging
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import trimesh

from blockout.errors import ReadError
from blockout.kernel.mesh_file import (
    DAMAGED,
    Content,
    NamedMesh,
    joined_parts,
    placed,
    refuse_unfit,
)
from blockout.mesh import Floats, Ints

# its warnings would go to the user's terminal; what they say is refused or noted here
logging.getLogger("trimesh").addHandler(logging.NullHandler())

_FLOAT: Final = 5126
_WHOLE: Final = (5121, 5123, 5125)
_TRIANGLES: Final = 4
_STRIP: Final = 5
_HEADER_BYTES: Final = 12
_INSTANCES_LIMIT: Final = 100_000
_TRIANGLES_LIMIT: Final = 50_000_000
_M_PER_MM: Final = 0.001


def read(data: bytes) -> Content:
    """Every mesh of the scene where its nodes place it, side by side.

    glTF counts in metres by its standard, but many files carry millimetres; no unit is stated.

    Raises
    ------
    ReadError
        Cut off; other files referred to; packed, sparse or quantised data; no plain triangles.
    """
    binary = data[:4] == b"glTF"
    table = _table(data) if binary else _json(data)
    notes = _checked(table)
    scene = trimesh.load_scene(
        io.BytesIO(data),
        file_type="glb" if binary else "gltf",
        process=False,
        validate=False,
        skip_materials=True,
    )
    parts: list[tuple[Floats, Ints]] = []
    total = 0
    for name, mesh in scene.geometry.items():
        if not isinstance(mesh, trimesh.Trimesh):
            continue
        for node in scene.graph.geometry_nodes.get(name, ()):
            matrix = np.asarray(scene.graph.get(node)[0], dtype=np.float64)
            vertices = np.asarray(mesh.vertices, dtype=np.float64)
            faces = np.asarray(mesh.faces, dtype=np.int64)
            if faces.size and not 0 <= faces.min() <= faces.max() < len(vertices):
                raise ReadError(
                    "faces name vertices that are not there",
                    measured=f"vertex number {int(faces.max())}, {len(vertices)} vertices",
                    where=f"mesh {name!r}",
                    fix=DAMAGED,
                )
            total += len(faces)
            if total > _TRIANGLES_LIMIT or len(parts) > _INSTANCES_LIMIT:
                raise ReadError(
                    "the glTF file repeats its parts without end",
                    measured=f"{total} triangles in {len(parts)} parts",
                    fix="Export the scan alone.",
                )
            parts.append(placed(vertices, faces, matrix))
    vertices, faces = joined_parts(parts)
    if len(parts) > 1:
        notes.append(f"{len(parts)} objects were joined side by side")
    return Content(
        format="GLB" if binary else "glTF",
        vertices=vertices,
        faces=faces,
        notes=tuple(notes),
    )


def _table(data: bytes) -> dict[str, Any]:
    """The JSON chunk of a GLB whose lengths agree with the file's."""
    length = int.from_bytes(data[8:12], "little")
    at = _HEADER_BYTES
    whole = len(data) >= length >= _HEADER_BYTES + 8
    table: dict[str, Any] = {}
    while whole and at < length:
        size = int.from_bytes(data[at : at + 4], "little")
        whole = at + 8 + size <= length
        if at == _HEADER_BYTES and whole:
            table = _json(data[at + 8 : at + 8 + size])
        at += 8 + size
    if not whole:
        raise ReadError(
            "the GLB file is cut off",
            measured=f"{len(data)} bytes, {max(at, length)} needed",
            fix=DAMAGED,
        )
    return table


def _json(data: bytes) -> dict[str, Any]:
    try:
        table = json.loads(data)
    except (ValueError, RecursionError) as error:
        raise ReadError(
            "the glTF file's table of contents is cut off or damaged",
            measured=str(error),
            fix=DAMAGED,
        ) from error
    if not isinstance(table, dict):
        raise ReadError("the file is JSON, but no glTF", fix="Export the scan as STL or PLY.")
    return table


def _refused(what: str, measured: str | None = None) -> ReadError:
    return ReadError(
        f"the glTF file {what}",
        measured=measured,
        fix="Export it as one GLB file without compression, or as STL or PLY.",
    )


def _checked(table: dict[str, Any]) -> list[str]:
    """Refuse what would be read wrong; return what is left out."""
    outside = [
        str(buffer["uri"])[:60]
        for buffer in table.get("buffers", [])
        if "uri" in buffer and not str(buffer["uri"]).startswith("data:")
    ]
    if outside:
        raise _refused("keeps its geometry in other files", ", ".join(outside))
    required = [
        name
        for name in table.get("extensionsRequired", [])
        if not str(name).startswith(("KHR_materials_", "KHR_texture_", "EXT_texture_"))
    ]
    if required:
        raise _refused("requires extensions that are not read", ", ".join(map(str, required)))
    accessors = table.get("accessors", [])
    skipped = 0
    for mesh in table.get("meshes", []):
        for primitive in mesh["primitives"]:
            mode = primitive.get("mode", _TRIANGLES)
            if mode < _TRIANGLES:
                skipped += 1
                continue
            if mode not in (_TRIANGLES, _STRIP):
                raise _refused("holds fans of triangles, which are not read")
            kinds: list[tuple[int, tuple[int, ...], str]] = [
                (primitive["attributes"]["POSITION"], (_FLOAT,), "VEC3")
            ]
            if "indices" in primitive:
                kinds.append((primitive["indices"], _WHOLE, "SCALAR"))
            for number, components, shape in kinds:
                accessor = accessors[number]
                if "sparse" in accessor or "bufferView" not in accessor:
                    raise _refused("holds packed or sparse geometry, which is not read")
                if accessor["componentType"] not in components or accessor["type"] != shape:
                    raise _refused("holds quantised geometry, which is not read")
    notes = []
    if skipped:
        notes.append(f"{skipped} sets of lines or points were left out")
    if table.get("skins") or table.get("animations"):
        notes.append("poses and animations were not applied")
    return notes


def glb_bytes(parts: Sequence[NamedMesh], *, metadata: Mapping[str, str]) -> bytes:
    """A GLB in metres, as glTF 2.0 asks, each part a node with its name; its kind and the file's
    metadata stand in the extras. Coordinates are rounded to 32 bit. The same parts give the same
    bytes.
    """
    refuse_unfit(parts)
    scene = trimesh.Scene(metadata=dict(metadata))
    for part in parts:
        body = trimesh.Trimesh(
            vertices=part.mesh.vertices * _M_PER_MM,
            faces=part.mesh.faces,
            process=False,
            metadata={"kind": part.kind},
        )
        scene.add_geometry(body, node_name=part.name, geom_name=part.name)
    exported: bytes = scene.export(  # type: ignore[no-untyped-call]
        file_type="glb", include_normals=False
    )
    return exported
