"""Meshes as the bytes of files, written here by the formats' own descriptions and by no code of
the product: a wrong reader shall not be hidden by a writer with the same fault.

Sources: the STL layout in common use (80 bytes, a count, 50 bytes a triangle), the PLY, OBJ and
OFF descriptions in common use, glTF 2.0 (ISO/IEC 12113), 3MF Core Specification 1.3.
"""

from __future__ import annotations

import base64
import io
import json
import struct
import zipfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from blockout.mesh import Mesh

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"
_CONTENT_TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"


@dataclass(frozen=True)
class Style:
    """How a text file is written: end of line, comments among the lines, how a number looks."""

    eol: str = "\n"
    comments: Sequence[str] = ()
    number: Callable[[float], str] = repr
    indent: str = ""
    coloured: bool = False


PLAIN = Style()


def _lines(lines: Sequence[str], style: Style) -> bytes:
    return style.eol.join([*(style.indent + line for line in lines), ""]).encode("utf-8")


def _row(row: Sequence[float], style: Style) -> str:
    return " ".join(style.number(float(x)) for x in row)


def stl_binary(mesh: Mesh, *, header: bytes = b"scan", attribute: int = 0) -> bytes:
    triangles = np.zeros(
        mesh.triangle_count, dtype=[("n", "<f4", 3), ("c", "<f4", (3, 3)), ("a", "<u2")]
    )
    triangles["n"], triangles["a"] = mesh.face_normals, attribute
    with np.errstate(over="ignore"):
        triangles["c"] = mesh.corners
    return header[:80].ljust(80, b"\0") + struct.pack("<I", len(triangles)) + triangles.tobytes()


def stl_text(mesh: Mesh, style: Style = PLAIN, *, name: str = "scan") -> bytes:
    lines = [f"solid {name}"]
    for corners, normal in zip(mesh.corners.tolist(), mesh.face_normals.tolist(), strict=True):
        lines += [f"facet normal {_row(normal, style)}", "outer loop"]
        lines += [f"vertex {_row(corner, style)}" for corner in corners]
        lines += ["endloop", "endfacet"]
    return _lines([*lines, f"endsolid {name}"], style)


def ply_text(mesh: Mesh, style: Style = PLAIN) -> bytes:
    colour = " 200 180 90" if style.coloured else ""
    lines = ["ply", "format ascii 1.0", *(f"comment {said}" for said in style.comments)]
    lines += [f"element vertex {len(mesh.vertices)}"]
    lines += [f"property double {axis}" for axis in "xyz"]
    if colour:
        lines += [f"property uchar {name}" for name in ("red", "green", "blue")]
    lines += [f"element face {mesh.triangle_count}", "property list uchar int vertex_indices"]
    lines += ["end_header"]
    lines += [_row(row, style) + colour for row in mesh.vertices.tolist()]
    lines += ["3 " + " ".join(map(str, face)) for face in mesh.faces.tolist()]
    return _lines(lines, Style(eol=style.eol))


def ply_binary(mesh: Mesh, *, big: bool = False, coloured: bool = False) -> bytes:
    order = ">" if big else "<"
    kind = [(axis, f"{order}f8") for axis in "xyz"]
    kind += [(name, "u1") for name in ("red", "green", "blue")] if coloured else []
    vertices = np.zeros(len(mesh.vertices), dtype=kind)
    for k, axis in enumerate("xyz"):
        vertices[axis] = mesh.vertices[:, k]
    faces = np.zeros(mesh.triangle_count, dtype=[("n", "u1"), ("v", f"{order}i4", 3)])
    faces["n"], faces["v"] = 3, mesh.faces
    lines = ["ply", f"format binary_{'big' if big else 'little'}_endian 1.0"]
    lines += [f"element vertex {len(vertices)}", *(f"property double {axis}" for axis in "xyz")]
    lines += [f"property uchar {n}" for n in ("red", "green", "blue")] if coloured else []
    lines += [f"element face {len(faces)}", "property list uchar int vertex_indices", "end_header"]
    return _lines(lines, PLAIN) + vertices.tobytes() + faces.tobytes()


def obj(mesh: Mesh, style: Style = PLAIN, *, more: Sequence[str] = ()) -> bytes:
    colour = " 0.8 0.7 0.4" if style.coloured else ""
    lines = [*(f"# {said}" for said in style.comments), *more]
    lines += [f"v {_row(row, style)}{colour}" for row in mesh.vertices.tolist()]
    lines += ["f " + " ".join(str(k + 1) for k in face) for face in mesh.faces.tolist()]
    return _lines(lines, style)


def off(mesh: Mesh, style: Style = PLAIN) -> bytes:
    colour = " 200 180 90" if style.coloured else ""
    lines = ["OFF", *(f"# {said}" for said in style.comments)]
    lines += [f"{len(mesh.vertices)} {mesh.triangle_count} 0"]
    lines += [_row(row, style) for row in mesh.vertices.tolist()]
    lines += [f"3 {a} {b} {c}{colour}" for a, b, c in mesh.faces.tolist()]
    return _lines(lines, style)


def model_xml(mesh: Mesh, *, unit: str = "millimeter") -> str:
    points = "".join(
        f'<vertex x="{x!r}" y="{y!r}" z="{z!r}"/>' for x, y, z in mesh.vertices.tolist()
    )
    faces = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces.tolist())
    return (
        f'<?xml version="1.0" encoding="UTF-8"?><model unit="{unit}" xmlns="{CORE}"><resources>'
        f'<object id="1" type="model"><mesh><vertices>{points}</vertices><triangles>{faces}'
        '</triangles></mesh></object></resources><build><item objectid="1"/></build></model>'
    )


def package(model: str | bytes, *, packed: bool = True) -> bytes:
    """A 3MF package around the text of one model."""
    buffer = io.BytesIO()
    method = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    with zipfile.ZipFile(buffer, "w", method) as pack:
        for name, content in (
            ("[Content_Types].xml", f'<Types xmlns="{_CONTENT_TYPES}"/>'),
            (
                "_rels/.rels",
                f'<Relationships xmlns="{_RELATIONSHIPS}"><Relationship Id="a" '
                f'Target="/3D/3dmodel.model" Type="{_MODEL_TYPE}"/></Relationships>',
            ),
            ("3D/3dmodel.model", model),
        ):
            pack.writestr(zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0)), content, method)
    return buffer.getvalue()


def three_mf(mesh: Mesh, *, unit: str = "millimeter") -> bytes:
    return package(model_xml(mesh, unit=unit))


def _gltf(mesh: Mesh, uri: str | None) -> tuple[dict[str, object], bytes]:
    points = mesh.vertices.astype("<f4")
    faces = mesh.faces.astype("<u4")
    data = points.tobytes() + faces.tobytes()
    buffer: dict[str, object] = {"byteLength": len(data)}
    if uri is not None:
        buffer["uri"] = uri or (
            "data:application/octet-stream;base64," + base64.b64encode(data).decode("ascii")
        )
    table: dict[str, object] = {
        "asset": {"version": "2.0"},
        "scene": 0,
        "scenes": [{"nodes": [0]}],
        "nodes": [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}, "indices": 1}]}],
        "buffers": [buffer],
        "bufferViews": [
            {"buffer": 0, "byteOffset": 0, "byteLength": points.nbytes},
            {"buffer": 0, "byteOffset": points.nbytes, "byteLength": faces.nbytes},
        ],
        "accessors": [
            {
                "bufferView": 0,
                "componentType": 5126,
                "count": len(points),
                "type": "VEC3",
                "min": points.min(axis=0).tolist() if len(points) else [0, 0, 0],
                "max": points.max(axis=0).tolist() if len(points) else [0, 0, 0],
            },
            {"bufferView": 1, "componentType": 5125, "count": faces.size, "type": "SCALAR"},
        ],
    }
    return table, data


def gltf(mesh: Mesh, *, uri: str = "") -> bytes:
    """A text glTF; its numbers stand in the file itself unless another ``uri`` is given."""
    return json.dumps(_gltf(mesh, uri)[0]).encode("utf-8")


def glb(mesh: Mesh) -> bytes:
    table, data = _gltf(mesh, None)
    return glb_around(json.dumps(table).encode("utf-8"), data)


def glb_around(table: bytes, data: bytes) -> bytes:
    """A GLB of a table of contents and the numbers, whatever they hold; lengths agree."""
    table += b" " * (-len(table) % 4)
    data += b"\0" * (-len(data) % 4)
    chunks = struct.pack("<II", len(table), 0x4E4F534A) + table
    chunks += struct.pack("<II", len(data), 0x004E4942) + data
    return b"glTF" + struct.pack("<II", 2, 12 + len(chunks)) + chunks
