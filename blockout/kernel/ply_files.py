"""PLY, binary and text. The only file that imports plyfile.

plyfile reads; writing is done here in one block of bytes, because plyfile writes faces one by one
(seconds for a scan).
"""

from __future__ import annotations

import io
import os
import re
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, Final, cast

import numpy as np
from numpy.typing import NDArray
from plyfile import PlyData, PlyElement, PlyElementParseError, PlyListProperty

from blockout.errors import ReadError
from blockout.kernel.mesh_file import DAMAGED, NO_FIELDS, Content, Fields, fans
from blockout.mesh import Ints, Mesh

_CORNERS: Final = ("vertex_indices", "vertex_index")
_HEADER_END = re.compile(rb"end_header[ \t]*(\r\n|\n|\r)")
_LINE: Final = rb"(?<![^\r\n])"  # where a line begins, whichever its end
_COUNT = re.compile(_LINE + rb"element[ \t]+\S+[ \t]+(\d+)")
_TEXT = re.compile(_LINE + rb"format[ \t]+ascii\b")
_LIST = re.compile(_LINE + rb"property[ \t]+list[ \t]")
_LENGTH: Final = "number of corners"
_HEADER_LIMIT: Final = 1 << 20
_TYPES: Final = {
    "b1": "uchar",
    "u1": "uchar",
    "i1": "char",
    "u2": "ushort",
    "i2": "short",
    "u4": "uint",
    "i4": "int",
    "f4": "float",
    "f8": "double",
}


class _WholeReads(io.BufferedReader):
    """A file that gives all the bytes asked for or fails, and whose header is plain ASCII.

    plyfile takes a short read for a shorter list, and refuses a header with any other letter,
    which comments in every language have.
    """

    header_bytes = 0

    def read(self, size: int | None = -1, /) -> bytes:
        start = self.tell() if self.header_bytes else 0
        data = super().read(size)
        if size is not None and size > 0 and len(data) < size:
            raise EOFError
        if start < self.header_bytes:
            data = bytes(byte if byte < 128 else 63 for byte in data)
        return data


def read(data: bytes) -> Content:
    """Vertices and faces of a PLY in order; polygons are split and said.

    Coordinates are as the header declares them: text under ``property float`` is rounded to
    32 bit, as the format says.

    Raises
    ------
    ReadError
        A header that is none, or promises more than the file holds; no x, y, z; no faces.
    """
    header = _HEADER_END.search(data, 0, _HEADER_LIMIT)
    if header is None:
        raise ReadError("the PLY file is cut off in its header", where="its header", fix=DAMAGED)
    promised = sum(int(count) for count in _COUNT.findall(data, 0, header.end()))
    if promised > len(data):
        # every element takes a byte at least; asked here, before memory is set aside for them
        raise ReadError(
            "the PLY file is cut off",
            measured=f"{promised} elements promised, {len(data)} bytes held",
            fix=DAMAGED,
        )
    try:
        if _TEXT.search(data, 0, header.end()):
            if data.find(b"_", header.end()) >= 0:
                raise ReadError(
                    "the PLY file has a word that is not a number",
                    measured="one with an underscore",  # which Python would read over
                    fix=DAMAGED,
                )
            text = data.decode("ascii", "replace").replace("\ufffd", "?")
            ply = PlyData.read(io.StringIO(text, newline=None))
        else:
            ply = _mapped(data, header.end(), lists=len(_LIST.findall(data, 0, header.end())))
    except PlyElementParseError as error:
        raise _cut_off(error) from error
    names = [element.name for element in ply.elements]
    for needed in ("vertex", "face"):
        if needed not in names:
            raise ReadError(
                f"the PLY file has no element {needed!r}, so no triangles",
                measured=f"it has {', '.join(names) or 'no elements'}",
                fix="Export the surface as triangles, not as points or strips.",
            )
    return _content(ply, data[: header.end()])


def _mapped(data: bytes, header_bytes: int, *, lists: int) -> PlyData:
    """All triangles or all quads are mapped in one block; anything else is read face by face."""
    with _copy_to_map(data) as copy:
        for corners in (3, 4) if lists == 1 else ():
            with suppress(PlyElementParseError):
                return _read_from(copy, header_bytes, {"face": dict.fromkeys(_CORNERS, corners)})
        return _read_from(copy, header_bytes, {})


def _read_from(copy: io.RawIOBase, header_bytes: int, known: dict[str, dict[str, int]]) -> PlyData:
    copy.seek(0)
    stream = _WholeReads(copy)
    try:
        stream.header_bytes = header_bytes
        return PlyData.read(stream, known_list_len=known)
    finally:
        stream.detach()  # or it would close the copy


def _copy_to_map(data: bytes) -> io.RawIOBase:
    """The bytes as an open file of our own, which plyfile can map into memory. The user's file
    will not do: it may change meanwhile, and one that is cut short under a map ends the process.
    """
    try:
        if hasattr(os, "memfd_create"):
            copy = io.FileIO(os.memfd_create("ply"), "r+")
        else:
            copy = tempfile.TemporaryFile(buffering=0)  # noqa: SIM115 - the caller closes it
        rest = memoryview(data)
        while len(rest):
            rest = rest[copy.write(rest) :]
    except OSError:  # no room for it: the slow way is left
        return cast(io.RawIOBase, io.BytesIO(data))
    return copy


def _cut_off(error: PlyElementParseError) -> ReadError:
    name = error.element.name if error.element is not None else "element"
    count = error.element.count if error.element is not None else 0
    short = error.message.startswith("early end-of-file")
    return ReadError(
        "the PLY file is cut off" if short else "the PLY file breaks its own layout",
        measured=f"{error.row} of {count} {name} elements" if short else error.message,
        where=None if short else f"{name} {(error.row or 0) + 1}",
        fix=DAMAGED,
    )


def _content(ply: PlyData, header: bytes) -> Content:
    vertex, face = ply["vertex"], ply["face"]
    columns = {name.lower(): name for name in vertex.data.dtype.names}
    missing = [axis for axis in "xyz" if axis not in columns]
    if missing:
        raise ReadError(
            "the PLY file's vertices lack coordinates",
            measured=f"no property {', '.join(missing)}",
            fix="Export the scan again.",
        )
    vertices = np.stack(
        [np.array(vertex[columns[axis]], dtype=np.float64) for axis in "xyz"], axis=1
    )
    corners, counts = _polygons(face)
    split = fans(corners, counts)
    plain = {name: _column(vertex, name) for name in _plain(vertex) if name.lower() not in "xyz"}
    per_face = {name: _column(face, name)[split.polygon] for name in _plain(face)}
    kind = "text" if ply.text else "binary"
    return Content(
        format=f"PLY, {kind}",
        vertices=vertices,
        faces=split.faces,
        comments=tuple(
            line[len(b"comment") :].strip().decode("utf-8", "replace")
            for line in header.splitlines()
            if line.split(None, 1)[:1] == [b"comment"]
        ),
        vertex_fields=plain,
        face_fields=per_face,
        notes=split.notes,
    )


def _polygons(face: PlyElement) -> tuple[Ints, Ints]:
    name = next((name for name in _CORNERS if name in face), None)
    listed = [prop.name for prop in face.properties if isinstance(prop, PlyListProperty)]
    if name not in listed:
        raise ReadError(
            "the PLY file's faces do not say which vertices they join",
            measured=f"no list property {_CORNERS[0]}",
            fix="Export the scan again.",
        )
    column = face[name]
    if column.dtype != object:  # mapped in one block: (p, 3) or (p, 4)
        flat = np.array(column).reshape(-1)
        counts = np.full(len(column), column.shape[1], dtype=np.int64)
    else:
        counts = np.fromiter((len(row) for row in column), dtype=np.int64, count=len(column))
        flat = np.concatenate(list(column)) if len(column) else np.zeros(0, dtype=np.int64)
    if flat.dtype.kind not in "iu":
        raise ReadError("the PLY file's vertex numbers are not whole numbers", fix=DAMAGED)
    return flat.astype(np.int64), counts


def _plain(element: PlyElement) -> list[str]:
    return [p.name for p in element.properties if not isinstance(p, PlyListProperty)]


def _column(element: PlyElement, name: str) -> NDArray[Any]:
    """A copy in the machine's own byte order, so that the file can be let go."""
    column = element[name]
    copy: NDArray[Any] = np.array(column, dtype=column.dtype.newbyteorder("="))
    copy.setflags(write=False)
    return copy


def binary_bytes(
    mesh: Mesh,
    *,
    comments: Sequence[str] = (),
    vertex_fields: Fields = NO_FIELDS,
    face_fields: Fields = NO_FIELDS,
) -> bytes:
    """A little-endian PLY: coordinates in 64 bit, corners in 32-bit whole numbers, then the
    fields in their own types.
    """
    axes = {axis: mesh.vertices[:, k] for k, axis in enumerate("xyz")}
    vertices = _table(axes, vertex_fields, count=len(mesh.vertices))
    own = _table({}, face_fields, count=mesh.triangle_count)
    layout: list[Any] = [(_LENGTH, "u1"), (_CORNERS[0], "<i4", (3,))]
    layout += [(name, own.dtype[name]) for name in own.dtype.names or ()]
    faces = np.zeros(mesh.triangle_count, dtype=layout)
    faces[_LENGTH], faces[_CORNERS[0]] = 3, mesh.faces
    for name in face_fields:
        faces[name] = own[name]
    lines = ["ply", "format binary_little_endian 1.0"]
    lines += [f"comment {_comment(comment)}" for comment in comments]
    lines += [f"element vertex {len(mesh.vertices)}", *_properties(vertices.dtype)]
    lines += [f"element face {mesh.triangle_count}", f"property list uchar int {_CORNERS[0]}"]
    lines += [*_properties(own.dtype), "end_header", ""]
    return "\n".join(lines).encode("ascii") + vertices.tobytes() + faces.tobytes()


def _table(first: Fields, fields: Fields, *, count: int) -> NDArray[Any]:
    columns = {**first, **fields}
    if len(columns) < len(first) + len(fields):
        raise ValueError("a field may not be called x, y or z")
    described = []
    for name, values in columns.items():
        code = values.dtype.str[1:]
        if code not in _TYPES or values.ndim != 1 or not re.fullmatch(r"[A-Za-z_]\w*", name):
            raise ValueError(f"a PLY file cannot carry the field {name!r} of {values.dtype}")
        described.append((name, "u1" if code == "b1" else f"<{code}"))
    table = np.zeros(count, dtype=described)
    for name, values in columns.items():
        if len(values) != count:
            raise ValueError(f"the field {name!r} has {len(values)} values, {count} needed")
        table[name] = values
    return table


def _properties(kind: np.dtype[Any]) -> list[str]:
    return [f"property {_TYPES[kind[name].str[1:]]} {name}" for name in kind.names or ()]


def _comment(text: str) -> str:
    """One line of ASCII; whatever else is in ``text`` becomes a question mark."""
    return " ".join(text.encode("ascii", "replace").decode("ascii").split())
