"""The one door to mesh files: read any, write STL, PLY, 3MF and GLB.

What a file is shows in its first bytes; its suffix is only heard where they say nothing.
Libraries are loaded when the first file of their kind comes.
"""

from __future__ import annotations

import hashlib
import io
import re
import stat
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final, Literal

from blockout import __version__
from blockout.errors import BlockoutError, ReadError
from blockout.kernel import stl_files, text_files
from blockout.kernel.mesh_file import (
    DAMAGED,
    NO_FIELDS,
    Content,
    Fields,
    MeshFile,
    NamedMesh,
    checked,
)
from blockout.mesh import Mesh
from blockout.writing import replacing_file

__all__ = [
    "FORMATS",
    "MeshFile",
    "NamedMesh",
    "read_mesh_file",
    "write_3mf",
    "write_glb",
    "write_ply",
    "write_stl",
]

Format = Literal["stl binary", "stl text", "ply", "obj", "off", "3mf", "gltf"]

FORMATS: Final = "STL, PLY, OBJ, OFF, 3MF, GLB and glTF"
_SUFFIXES: Final[dict[str, str]] = {
    ".stl": "stl", ".ply": "ply", ".obj": "obj", ".off": "off",
    ".3mf": "3mf", ".glb": "gltf", ".gltf": "gltf",
}  # fmt: skip
_BYTE_ORDER_MARK: Final = b"\xef\xbb\xbf"
_SNIFFED: Final = 1 << 16
_OBJ_LINE = re.compile(rb"(?:\A|[\r\n])[ \t]*(v[ \t]+[-+.\dnN]|f[ \t]+-?\d)")
_OFF_WORD = re.compile(rb"\A(\s|#[^\n]*\n)*(ST)?(C)?(N)?4?n?OFF\b", re.IGNORECASE)
_SOLID_WORD = re.compile(rb"\A\s*solid\b", re.IGNORECASE)
_FACET_WORD = re.compile(rb"\b(facet|vertex|endsolid)\b", re.IGNORECASE)


def read_mesh_file(path: Path | str) -> MeshFile:
    """The mesh in a file, exactly as it stands there.

    Raises
    ------
    ReadError
        The file is missing, a folder, unreadable, empty, cut off, or no mesh; it has no
        triangles, coordinates that are not finite, or faces of vertices that are not there.
    MemoryError
        The machine has not the memory for it. Nothing else leaves this function.
    """
    path = Path(path)
    where = str(path)
    try:
        with _opened(path) as raw:
            data = raw.read()
            if not data:
                raise ReadError("the file is empty", measured="0 bytes", fix=DAMAGED)
            kind = _kind(data, path.suffix.lower())
            content = checked(_content(kind, data))
    except ReadError as error:
        place = f"{where}, {error.where}" if error.where else where
        raise ReadError(error.what, measured=error.measured, where=place, fix=error.fix) from (
            error.__cause__ or error
        )
    except (BlockoutError, MemoryError):
        raise
    except OSError as error:
        raise _unreadable(path, error) from error
    except Exception as error:  # a library's own way of failing on a file it cannot make out
        raise ReadError(
            f"the file cannot be read as {_named(kind)}",
            measured=f"{type(error).__name__}: {error}",
            where=where,
            fix=DAMAGED,
        ) from error
    notes = content.notes
    suffix = _SUFFIXES.get(path.suffix.lower())
    if suffix is not None and not kind.startswith(suffix):
        notes = (f"the name ends in {path.suffix}, but the file holds {content.format}", *notes)
    return MeshFile(
        vertices=content.vertices,
        faces=content.faces,
        unit=content.unit,
        comments=content.comments,
        vertex_fields=content.vertex_fields,
        face_fields=content.face_fields,
        format=content.format,
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        notes=notes,
    )


def _opened(path: Path) -> io.FileIO:
    try:
        mode = path.stat().st_mode  # before opening: a pipe would wait for ever
    except ValueError as error:
        raise ReadError("the name is not one a file can have") from error
    if stat.S_ISDIR(mode):
        raise ReadError("this is a folder, not a mesh file", fix="Name a file inside it.")
    if not stat.S_ISREG(mode):
        raise ReadError("this is not a file on a disk", fix="Save the mesh to a file first.")
    return path.open("rb", buffering=0)


def _unreadable(path: Path, error: OSError) -> ReadError:
    if isinstance(error, FileNotFoundError):
        what, fix = "there is no such file", "Check its name and folder."
    elif isinstance(error, PermissionError):
        what, fix = "the file may not be read", "Allow reading it, or copy it elsewhere."
    else:
        what, fix = "the file cannot be read", DAMAGED
    return ReadError(what, measured=error.strerror, where=str(path), fix=fix)


def _kind(data: bytes, suffix: str) -> Format:
    head = data[:_SNIFFED].removeprefix(_BYTE_ORDER_MARK)
    if head[:3] == b"ply" and head[3:4] in (b"\n", b"\r"):
        return "ply"
    if head[:4] == b"glTF":
        return "gltf"
    if head[:2] == b"PK":
        return "3mf"
    if stl_files.binary_length(data) == len(data) and len(data) > stl_files.HEADER_BYTES:
        return "stl binary"  # even where it begins with "solid"
    looks_text = b"\0" not in head
    if looks_text:
        if _SOLID_WORD.match(head) and (_FACET_WORD.search(head) or suffix == ".stl"):
            return "stl text"
        if _OFF_WORD.match(head):
            return "off"
        if head.lstrip()[:1] == b"{" and (b'"asset"' in data or suffix == ".gltf"):
            return "gltf"
        if _OBJ_LINE.search(data if suffix == ".obj" else head):
            return "obj"
    elif suffix == ".stl":
        return "stl binary"
    raise ReadError(
        "the file is not a mesh in a format that is read"
        if suffix in _SUFFIXES
        else f"the file is not a mesh; {FORMATS} are read",
        measured=f"{len(data)} bytes of {'text' if looks_text else 'binary data'}"
        + (f", though its name ends in {suffix}" if suffix in _SUFFIXES else ""),
        fix=f"Export the scan as one of {FORMATS}.",
    )


def _named(kind: str) -> str:
    return {"gltf": "glTF", "3mf": "3MF"}.get(kind, kind.split()[0].upper())


def _content(kind: Format, data: bytes) -> Content:
    if kind == "ply":
        from blockout.kernel import ply_files

        return ply_files.read(data)
    if kind == "gltf":
        from blockout.kernel import scene_files

        return scene_files.read(data)
    if kind == "3mf":
        from blockout.kernel import threemf_files

        return threemf_files.read(data)
    readers: dict[str, Callable[[bytes], Content]] = {
        "stl binary": stl_files.read_binary,
        "stl text": stl_files.read_text,
        "obj": text_files.read_obj,
        "off": text_files.read_off,
    }
    return readers[kind](_plain_text(data) if kind != "stl binary" else data)


def _plain_text(data: bytes) -> bytes:
    """Without the mark some editors put first, and with line ends that every reader knows."""
    data = data.removeprefix(_BYTE_ORDER_MARK)
    return data if b"\n" in data else data.replace(b"\r", b"\n")


def write_stl(path: Path, mesh: Mesh) -> None:
    """Binary STL in millimetres. The format holds 32-bit floats: coordinates of a 100 mm cast are
    rounded by up to 4 nm.

    Raises
    ------
    OutputError
    """
    data = stl_files.binary_bytes(mesh, header=f"blockout {__version__}; blockout unit mm")
    with replacing_file(path) as unfinished:
        unfinished.write_bytes(data)


def write_ply(
    path: Path,
    mesh: Mesh,
    *,
    comments: Sequence[str] = (),
    vertex_fields: Fields = NO_FIELDS,
    face_fields: Fields = NO_FIELDS,
) -> None:
    """Binary PLY in millimetres; coordinates to the bit, fields as properties of their names.

    Raises
    ------
    OutputError
    """
    from blockout.kernel import ply_files

    data = ply_files.binary_bytes(
        mesh,
        comments=("blockout unit mm", *comments),
        vertex_fields=vertex_fields,
        face_fields=face_fields,
    )
    with replacing_file(path) as unfinished:
        unfinished.write_bytes(data)


def write_3mf(path: Path, parts: Sequence[NamedMesh], *, metadata: Mapping[str, str]) -> None:
    """3MF in millimetres; each part a separate object with its name, coordinates to the bit.

    Raises
    ------
    OutputError
    """
    from blockout.kernel import threemf_files

    data = threemf_files.package_bytes(parts, metadata=metadata)
    with replacing_file(path) as unfinished:
        unfinished.write_bytes(data)


def write_glb(path: Path, parts: Sequence[NamedMesh], *, metadata: Mapping[str, str]) -> None:
    """GLB in metres, as glTF 2.0 asks: a cast of 60 mm is 0.06 in the file. Each part a node with
    its name; 32-bit floats.

    Raises
    ------
    OutputError
    """
    from blockout.kernel import scene_files

    data = scene_files.glb_bytes(parts, metadata=metadata)
    with replacing_file(path) as unfinished:
        unfinished.write_bytes(data)
