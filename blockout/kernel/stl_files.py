"""STL, binary and text.

Binary STL is 80 free bytes, a 32-bit count, and 50 bytes a triangle: a normal and three corners
in 32-bit floats, and two free bytes. Nothing tells the text form from the binary one for sure:
many binary files begin with "solid" too, so the length decides first.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from blockout.errors import ReadError
from blockout.kernel.mesh_file import DAMAGED, Content, floats
from blockout.mesh import Floats, Mesh

HEADER_BYTES: Final = 84
TRIANGLE_BYTES: Final = 50
_TRIANGLE: Final = np.dtype(
    [("normal", "<f4", (3,)), ("corners", "<f4", (3, 3)), ("attribute", "<u2")]
)
_SOLID_LINE = re.compile(rb"^[ \t]*(end)?solid\b.*$", re.MULTILINE | re.IGNORECASE)
_CORNER: Final = (b"vertex", None, None, None)
_FACET: Final = (
    b"facet", b"normal", None, None, None, b"outer", b"loop", *_CORNER * 3, b"endloop",
)  # fmt: skip
_CORNER_WORDS: Final = (8, 9, 10, 12, 13, 14, 16, 17, 18)
_AT_ONCE: Final = 20_000  # facets whose words are held at once


def binary_length(data: bytes) -> int | None:
    """Bytes that a binary STL of this header has; None when the header itself is cut off."""
    if len(data) < HEADER_BYTES:
        return None
    return HEADER_BYTES + TRIANGLE_BYTES * int.from_bytes(data[80:84], "little")


def read_binary(data: bytes) -> Content:
    """Triangles of a binary STL, three vertices of their own each.

    Raises
    ------
    ReadError
        Fewer bytes than the count of triangles needs.
    """
    promised = binary_length(data)
    if promised is None or len(data) < promised:
        whole = max(len(data) - HEADER_BYTES, 0) // TRIANGLE_BYTES
        raise ReadError(
            "the binary STL file is cut off",
            measured=f"{len(data)} bytes, {promised or HEADER_BYTES} needed; "
            f"{whole} whole triangles",
            where=f"byte {len(data)}",
            fix=DAMAGED,
        )
    notes = []
    if len(data) > promised:
        notes.append(f"{len(data) - promised} bytes after the last triangle were not read")
    count = (promised - HEADER_BYTES) // TRIANGLE_BYTES
    triangles = np.frombuffer(data, dtype=_TRIANGLE, count=count, offset=HEADER_BYTES)
    header = data[:80].split(b"\0")[0].decode("ascii", "replace").strip()
    return Content(
        format="STL, binary",
        vertices=triangles["corners"].reshape(-1, 3).astype(np.float64),
        faces=np.arange(3 * count, dtype=np.int64).reshape(-1, 3),
        comments=(header,) if header else (),
        notes=tuple(notes),
    )


def read_text(data: bytes) -> Content:
    """Triangles of a text STL, three vertices of their own each.

    Raises
    ------
    ReadError
        No ``endsolid``, a facet without three corners, or a corner without three numbers.
    """
    marks = [match[1] is None for match in _SOLID_LINE.finditer(data)]
    solids, ends = marks.count(True), marks.count(False)
    if solids != ends or (marks and marks[-1]):
        lines = data.count(b"\n") + 1
        raise ReadError(
            "the text STL file is cut off",
            measured=f"{solids} solids begun, {ends} ended",
            where=f"line {lines}",
            fix=DAMAGED,
        )
    facets = _SOLID_LINE.sub(b"", data).lower().split(b"endfacet")
    if facets[-1].strip():
        raise _broken_facet(len(facets) - 1, facets[-1])
    coordinates = [
        _coordinates(facets[at : at + _AT_ONCE], first=at)
        for at in range(0, len(facets) - 1, _AT_ONCE)
    ]
    vertices = np.concatenate([*coordinates, np.zeros(0)]).reshape(-1, 3)
    name = data[: data.find(b"\n")].strip()[5:].strip().decode("utf-8", "replace")
    notes = (f"{solids} solids were joined side by side",) if solids > 1 else ()
    return Content(
        format="STL, text",
        vertices=vertices,
        faces=np.arange(len(vertices), dtype=np.int64).reshape(-1, 3),
        comments=(name,) if name else (),
        notes=notes,
    )


def _coordinates(facets: list[bytes], *, first: int) -> Floats:
    """Nine numbers of each facet; the words around them must be the ones of the format."""
    if not facets[-1].strip():
        facets = facets[:-1]
    words = b" ".join(facets).split()
    columns = [words[k :: len(_FACET)] for k in range(len(_FACET))]
    regular = len(words) == len(_FACET) * len(facets) and all(
        word is None or columns[k].count(word) == len(facets) for k, word in enumerate(_FACET)
    )
    if not regular:
        for k, facet in enumerate(facets):
            found = facet.split()
            wrong = len(found) != len(_FACET) or any(
                word is not None and word != there
                for word, there in zip(_FACET, found, strict=True)
            )
            if wrong:
                raise _broken_facet(first + k, facet)
    return np.stack(
        [floats(columns[k], format_name="text STL") for k in _CORNER_WORDS], axis=1
    ).reshape(-1)


def _broken_facet(number: int, facet: bytes) -> ReadError:
    return ReadError(
        "the text STL file has a facet that is not a whole triangle",
        measured=f"{facet.split().count(b'vertex')} corners in {len(facet.split())} words, "
        f"3 in {len(_FACET)} needed",
        where=f"facet {number + 1}",
        fix=DAMAGED,
    )


def binary_bytes(mesh: Mesh, *, header: str) -> bytes:
    """A binary STL. Coordinates are rounded to 32 bit, as the format wants.

    ``header`` goes into the 80 free bytes and must not begin with "solid", which would make
    other readers take the file for text.
    """
    words = header.encode("ascii")
    if len(words) > 80 or words.lower().startswith(b"solid"):
        raise ValueError("an STL header is at most 80 ASCII letters and never begins with solid")
    triangles = np.zeros(mesh.triangle_count, dtype=_TRIANGLE)
    triangles["normal"] = mesh.face_normals
    triangles["corners"] = mesh.corners
    count = mesh.triangle_count.to_bytes(4, "little")
    return words.ljust(80, b" ") + count + triangles.tobytes()
