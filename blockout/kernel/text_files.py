"""OBJ and OFF, read strictly and in order.

General readers of these formats group faces by material or by number of corners, split vertices
at texture seams, and pass over lines they cannot read. None of that may happen to a scan, so the
geometry lines are read here, line by line as they stand; everything else is left alone.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from itertools import chain

import numpy as np

from blockout.errors import ReadError
from blockout.kernel.mesh_file import DAMAGED, Content, fans, floats, integers
from blockout.mesh import Ints

_COMMENT = re.compile(rb"(?<!\S)#[^\n]*")
_SLASHED = re.compile(rb"/\S*")
_OFF_HEADER = re.compile(rb"^\s*(?P<kind>[A-Z0-9a-z]*OFF)\b[ \t]*(?P<rest>[^\n]*)")


def read_obj(data: bytes) -> Content:
    """Vertices and faces of a Wavefront OBJ, in order; normals, textures and materials are left
    alone.

    Raises
    ------
    ReadError
        A vertex without three numbers, a face with a number that is none.
    """
    comments, lines = _lines(data.replace(b"\\\r\n", b" ").replace(b"\\\n", b" "))
    notes = []
    vertices = [(at, words[1:4]) for at, words in lines if words[0] == b"v"]
    _each_of_three(vertices, "OBJ")
    polygons = [(at, words[1:]) for at, words in lines if words[0] == b"f"]
    corners = _obj_corners(polygons, np.array([at for at, _ in vertices], dtype=np.int64))
    counts = np.array([len(words) for _, words in polygons], dtype=np.int64)
    split = fans(corners, counts)
    objects = sum(1 for _, words in lines if words[0] in (b"o", b"g"))
    if objects > 1:
        notes.append(f"{objects} objects or groups were joined side by side")
    others = sum(1 for _, words in lines if words[0] in (b"l", b"p", b"curv", b"surf"))
    if others:
        notes.append(f"{others} lines, points or curved surfaces were left out")
    if not data.endswith((b"\n", b"\r")):
        notes.append("the file does not end with a line break; its end may be missing")
    return Content(
        format="OBJ",
        vertices=_coordinates(vertices, "OBJ"),
        faces=split.faces,
        comments=comments,
        notes=(*split.notes, *notes),
    )


def read_off(data: bytes) -> Content:
    """Vertices and faces of an OFF file, in order; colours and normals are left alone.

    Raises
    ------
    ReadError
        Cut off, binary, in more than three dimensions, or a line that is not what it should be.
    """
    found = _OFF_HEADER.match(_COMMENT.sub(b"", data[:4096]))
    kind = found["kind"].upper() if found else b""
    if found is None or found["rest"].strip().upper().startswith(b"BINARY") or b"4" in kind:
        raise ReadError(
            "this kind of OFF file is not read",
            measured="text OFF with three coordinates a vertex is",
            fix="Export as PLY or STL.",
        )
    comments, lines = _lines(data)
    first = lines[0][1][1:]
    body = lines[1:]
    if not first:
        if not body:
            raise _off_cut_off(0, 0, 0, 0)
        first, body = body[0][1], body[1:]
    sizes = integers(first[:2], format_name="OFF")
    if len(sizes) < 2 or (sizes < 0).any():
        raise ReadError("the OFF file does not state how much it holds", where="its first lines")
    vertex_count, face_count = int(sizes[0]), int(sizes[1])
    if len(body) < vertex_count + face_count:
        held = min(len(body), vertex_count)
        raise _off_cut_off(held, vertex_count, len(body) - held, face_count)
    vertices = [(at, words[:3]) for at, words in body[:vertex_count]]
    _each_of_three(vertices, "OFF")
    polygons = body[vertex_count : vertex_count + face_count]
    counts = integers([words[0] for _, words in polygons], format_name="OFF")
    for (at, words), count in zip(polygons, counts.tolist(), strict=True):
        if not 0 <= count < len(words):
            raise ReadError(
                "the OFF file has a face with fewer corners than it states",
                measured=f"{len(words) - 1} corners, {count} stated",
                where=f"line {at}",
                fix=DAMAGED,
            )
    corners = integers(
        list(
            chain.from_iterable(
                words[1 : count + 1]
                for (_, words), count in zip(polygons, counts.tolist(), strict=True)
            )
        ),
        format_name="OFF",
    )
    split = fans(corners, counts)
    left = len(body) - vertex_count - face_count
    notes = (f"{left} lines after the last face were not read",) if left else ()
    return Content(
        format="OFF",
        vertices=_coordinates(vertices, "OFF"),
        faces=split.faces,
        comments=comments,
        notes=(*split.notes, *notes),
    )


def _off_cut_off(vertices: int, of_vertices: int, faces: int, of_faces: int) -> ReadError:
    return ReadError(
        "the OFF file is cut off",
        measured=f"{vertices} of {of_vertices} vertices and {faces} of {of_faces} faces",
        fix=DAMAGED,
    )


_Line = tuple[int, list[bytes]]


def _lines(data: bytes) -> tuple[tuple[str, ...], list[_Line]]:
    """Comments, and the words of each line that holds any, with its number from 1."""
    comments = tuple(
        found[1:].strip().decode("utf-8", "replace") for found in _COMMENT.findall(data)
    )
    if comments:
        data = _COMMENT.sub(b"", data)
    split = enumerate((line.split() for line in data.split(b"\n")), start=1)
    return comments, [(at, words) for at, words in split if words]


def _each_of_three(vertices: Sequence[_Line], format_name: str) -> None:
    for at, words in vertices:
        if len(words) < 3:
            raise ReadError(
                f"the {format_name} file has a vertex without three coordinates",
                measured=f"{len(words)} numbers, 3 needed",
                where=f"line {at}",
                fix=DAMAGED,
            )


def _coordinates(vertices: Sequence[_Line], format_name: str) -> np.ndarray:
    words = list(chain.from_iterable(words for _, words in vertices))
    return floats(words, format_name=format_name).reshape(-1, 3)


def _obj_corners(polygons: Sequence[_Line], vertex_lines: Ints) -> Ints:
    """Vertex numbers from 0; a negative one counts back from the vertices read so far."""
    words = b" ".join(chain.from_iterable(words for _, words in polygons))
    numbers = integers(_SLASHED.sub(b"", words).split(), format_name="OBJ")
    back = numbers < 0
    if back.any():
        lines = np.repeat([at for at, _ in polygons], [len(words) for _, words in polygons])
        numbers[back] += np.searchsorted(vertex_lines, lines[back]) + 1
        numbers[back & (numbers < 1)] = 0  # further back than the first: not there
    return numbers - 1
