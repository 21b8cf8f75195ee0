"""What a mesh file held, whatever its format; polygons to triangles; checks for all readers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from blockout.errors import ReadError
from blockout.mesh import Floats, Ints, Mesh
from blockout.units import MM_PER_UNIT, LengthUnit

Fields = Mapping[str, NDArray[Any]]

NO_FIELDS: Final[Fields] = MappingProxyType({})
DAMAGED: Final = "The file is damaged or was not copied whole; export or copy it again."
_UNIT_COMMENT = re.compile(r"\bblockout unit (mm|cm|m|in)\b")


@dataclass(frozen=True)
class NamedMesh:
    """One part of a file with several.

    Parameters
    ----------
    name : str
        Shown to whoever opens the file; two parts of one file never share it.
    mesh : Mesh
        mm
    kind : str
        What it is: ``"cast"``, ``"parallel"`` and the like.
    """

    name: str
    mesh: Mesh
    kind: str


def refuse_unfit(parts: Sequence[NamedMesh]) -> None:
    """Parts that cannot stand in one file: two of one name, or one without a triangle."""
    names = [part.name for part in parts]
    if len(set(names)) < len(names):
        raise ValueError("two parts of one file share a name")
    for part in parts:
        if not part.mesh.triangle_count:
            raise ValueError(f"the part {part.name!r} is empty; leave it out")


@dataclass(frozen=True, eq=False)
class Content:
    """What the reader of one format found, before the checks."""

    format: str
    vertices: Floats
    faces: Ints
    unit: LengthUnit | None = None
    comments: tuple[str, ...] = ()
    vertex_fields: Fields = field(default_factory=lambda: NO_FIELDS)
    face_fields: Fields = field(default_factory=lambda: NO_FIELDS)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class MeshFile:
    """A mesh as its file holds it: nothing merged, moved, dropped or reordered.

    Parameters
    ----------
    vertices : (n, 3) float
        In the file's own unit, to the bit.
    faces : (m, 3) int
        In the file's order; a polygon's triangles stand where it stood.
    unit : "mm", "cm", "m", "in" or None
        Only where the format or a comment of ours states it.
    comments : tuple of str
    vertex_fields, face_fields : mapping of str to (n,) or (m,) array
        Further numbers the file carries with each vertex or triangle.
    format : str
        Such as ``"PLY, binary"``.
    name : str
        The file's name without its folder.
    sha256 : str
        Of the file's bytes.
    notes : tuple of str
        What the user should know: polygons split, objects joined, a suffix that lies.
    """

    vertices: Floats
    faces: Ints
    unit: LengthUnit | None
    comments: tuple[str, ...]
    vertex_fields: Fields = field(default_factory=lambda: NO_FIELDS)
    face_fields: Fields = field(default_factory=lambda: NO_FIELDS)
    format: str = ""
    name: str = ""
    sha256: str = ""
    notes: tuple[str, ...] = ()


def unit_in_comments(comments: Sequence[str]) -> LengthUnit | None:
    """The unit that a comment of ours states, such as ``blockout unit mm``."""
    for comment in comments:
        found = _UNIT_COMMENT.search(comment)
        if found:
            return next(unit for unit in MM_PER_UNIT if unit == found[1])
    return None


def checked(content: Content) -> Content:
    """The content with its arrays frozen, in 64 bit, and fit for a mesh.

    Raises
    ------
    ReadError
        No triangles; a coordinate that is no finite number; a face that names a vertex which is
        not there.
    """
    vertices = np.ascontiguousarray(content.vertices, dtype=np.float64).reshape(-1, 3)
    faces = np.ascontiguousarray(content.faces, dtype=np.int64).reshape(-1, 3)
    if not len(faces):
        held = f"{len(vertices)} points and " if len(vertices) else ""
        raise ReadError(
            f"the {content.format} file has no triangles",
            measured=f"{held}0 triangles, at least 1 needed",
            fix="Export the surface as triangles, not as points or lines.",
        )
    finite = np.isfinite(vertices).all(axis=1)
    if not finite.all():
        first = int(np.argmin(finite))
        shown = ", ".join(f"{x:g}" for x in vertices[first])
        raise ReadError(
            "coordinates that are not finite numbers",
            measured=f"{int((~finite).sum())} of {len(vertices)} vertices",
            where=f"vertex {first + 1} of the file, ({shown})",
            fix="Export the scan again, or remove these vertices.",
        )
    there = ((faces >= 0) & (faces < len(vertices))).all(axis=1)
    if not there.all():
        first = int(np.argmin(there))
        raise ReadError(
            "faces name vertices that are not there",
            measured=f"{int((~there).sum())} of {len(faces)} triangles; the file has "
            f"{len(vertices)} vertices",
            where=f"triangle {first + 1} of the file",
            fix=DAMAGED,
        )
    vertices.setflags(write=False)
    faces.setflags(write=False)
    return Content(
        format=content.format,
        vertices=vertices,
        faces=faces,
        unit=content.unit or unit_in_comments(content.comments),
        comments=content.comments,
        vertex_fields=MappingProxyType(dict(content.vertex_fields)),
        face_fields=MappingProxyType(dict(content.face_fields)),
        notes=content.notes,
    )


@dataclass(frozen=True, eq=False)
class Fans:
    """Polygons cut into triangles.

    Parameters
    ----------
    faces : (m, 3) int
    polygon : (m,) int
        The polygon each triangle comes from.
    notes : tuple of str
    """

    faces: Ints
    polygon: Ints
    notes: tuple[str, ...]


def fans(corners: Ints, counts: Ints) -> Fans:
    """Cut each polygon into triangles by a fan from its first corner, in order.

    Parameters
    ----------
    corners : (k,) int
        Vertex numbers of all polygons, one after the other.
    counts : (p,) int
        Corners of each. A polygon of fewer than three has no surface and is left out, said.

    >>> fans(np.array([0, 1, 2, 3]), np.array([4])).faces.tolist()
    [[0, 1, 2], [0, 2, 3]]
    """
    triangles = np.maximum(counts - 2, 0)
    polygon = np.repeat(np.arange(len(counts)), triangles)
    start = (np.cumsum(counts) - counts)[polygon]
    turn = np.arange(len(polygon)) - (np.cumsum(triangles) - triangles)[polygon]
    faces = np.stack(
        [corners[start], corners[start + turn + 1], corners[start + turn + 2]], axis=1
    ).reshape(-1, 3)
    notes = []
    larger = int((counts > 3).sum())
    if larger:
        quads = int((counts == 4).sum())
        what = "quads" if quads == larger else "polygons"
        notes.append(f"{larger} {what} were split into triangles, fanned from their first corner")
    flat = int((counts < 3).sum())
    if flat:
        notes.append(f"{flat} faces with fewer than three corners were left out")
    return Fans(faces=faces, polygon=polygon, notes=tuple(notes))


def floats(words: Sequence[bytes], *, format_name: str) -> Floats:
    """Numbers from words, each rounded once to the nearest 64-bit number.

    Raises
    ------
    ReadError
        A word is no number; it is named.
    """
    try:
        refuse_grouped(b"".join(words))
        return np.fromiter(map(float, words), dtype=np.float64, count=len(words))
    except ValueError as error:
        raise ReadError(
            f"the {format_name} file has a coordinate that is not a number",
            where=_first_wrong(words, float),
            fix=DAMAGED,
        ) from error


def integers(words: Sequence[bytes], *, format_name: str) -> Ints:
    """Whole numbers from words; see :func:`floats`."""
    try:
        refuse_grouped(b"".join(words))
        return np.fromiter(map(int, words), dtype=np.int64, count=len(words))
    except (ValueError, OverflowError) as error:
        raise ReadError(
            f"the {format_name} file has a vertex number that is not a whole number",
            where=_first_wrong(words, int),
            fix=DAMAGED,
        ) from error


def refuse_grouped(words: bytes | str) -> None:
    """Python takes ``1_000`` and the digits of every script for numbers; no mesh format does.

    Raises
    ------
    ValueError
    """
    if not words.isascii() or (b"_" in words if isinstance(words, bytes) else "_" in words):
        raise ValueError("digits that are grouped or of another script")


def _first_wrong(words: Sequence[bytes], kind: type[float] | type[int]) -> str:
    for word in words:
        try:
            refuse_grouped(word)
            if abs(kind(word)) < 2**63 or kind is float:
                continue
        except ValueError:
            pass
        return f"the word {word[:40].decode('utf-8', 'replace')!r}"
    return "an unknown place"


def joined_parts(parts: Sequence[tuple[Floats, Ints]]) -> tuple[Floats, Ints]:
    """Several parts side by side in one, nothing merged."""
    if not parts:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    counts = [len(vertices) for vertices, _ in parts]
    shifts = np.cumsum([0, *counts[:-1]]).tolist()
    shifted = [
        np.asarray(faces, dtype=np.int64) + shift
        for (_, faces), shift in zip(parts, shifts, strict=True)
    ]
    return (
        np.concatenate([np.asarray(vertices, dtype=np.float64) for vertices, _ in parts]),
        np.concatenate(shifted),
    )


def placed(vertices: Floats, faces: Ints, matrix: Floats) -> tuple[Floats, Ints]:
    """A part under the 4 x 4 ``matrix`` of its scene; one that mirrors turns the faces round.

    The unit matrix leaves every coordinate to the bit.
    """
    if np.array_equal(matrix, np.eye(4)):
        return vertices, faces
    moved = vertices @ matrix[:3, :3].T + matrix[:3, 3]
    mirrored = np.linalg.det(matrix[:3, :3]) < 0.0
    return moved, faces[:, ::-1] if mirrored else faces
