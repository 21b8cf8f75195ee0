"""3MF: a zip package around one XML model (3MF Core Specification, with the paths of the
production extension). Read and written here with the standard library alone: general readers
skip what they cannot resolve, rename and regroup parts, and know neither the limits a stranger's
zip needs nor the unit.
"""

from __future__ import annotations

import io
import posixpath
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from xml.parsers import expat
from xml.sax.saxutils import escape, quoteattr

import numpy as np

from blockout.errors import ReadError
from blockout.kernel.mesh_file import (
    DAMAGED,
    Content,
    NamedMesh,
    joined_parts,
    placed,
    refuse_grouped,
    refuse_unfit,
)
from blockout.mesh import Floats, Ints
from blockout.units import LengthUnit

CORE: Final = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_PRODUCTION: Final = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
_OURS: Final = "urn:blockout:3mf:1"
_MODEL_TYPE: Final = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
_RELATIONSHIPS: Final = "http://schemas.openxmlformats.org/package/2006/relationships"
_CONTENT_TYPES: Final = "http://schemas.openxmlformats.org/package/2006/content-types"
_MODEL_PATH: Final = "3D/3dmodel.model"

# extensions that change no triangle, so that a model which requires them can still be read
_HARMLESS: Final = frozenset(
    {
        _PRODUCTION,
        "http://schemas.microsoft.com/3dmanufacturing/material/2015/02",
        "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07",
    }
)
_UNITS: Final[dict[str, tuple[LengthUnit, float]]] = {
    "millimeter": ("mm", 1.0),
    "centimeter": ("cm", 1.0),
    "meter": ("m", 1.0),
    "inch": ("in", 1.0),
    "micron": ("mm", 0.001),
    "foot": ("in", 12.0),
}
_NOT_SURFACE: Final = ("support", "solidsupport", "other")

# XML of a mesh packs ten- to twentyfold; a zip made to burst packs a thousandfold
_BYTES_LIMIT: Final = 2 << 30
_RATIO_LIMIT: Final = 100
_RATIO_FREE: Final = 16 << 20
_TRIANGLES_LIMIT: Final = 50_000_000
_PARTS_LIMIT: Final = 100_000
_DEPTH_LIMIT: Final = 32
_CHUNK: Final = 1 << 20

Key = tuple[str, str]


@dataclass
class _Object:
    kind: str = "model"
    corners: list[str] = field(default_factory=list)
    triangles: list[str] = field(default_factory=list)
    components: list[tuple[Key, Floats]] = field(default_factory=list)


@dataclass
class _Model:
    """What one model part of the package says."""

    path: str
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    items: list[tuple[Key, Floats]] = field(default_factory=list)
    metadata: list[str] = field(default_factory=list)


def read(data: bytes) -> Content:
    """Every item of the build, in its order and place, side by side in one mesh.

    The unit is the model's; the format's default is the millimetre. Microns are handed over in
    mm and feet in inches.

    Raises
    ------
    ReadError
        A damaged or cut-off zip; one that unpacks beyond 2 GiB, or more than a hundredfold;
        XML that is not well-formed or defines entities; a reference to nothing; an extension
        that the model requires and that changes its shape.
    """
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            _refuse_bombs(package)
            return _content(package)
    except (zipfile.BadZipFile, EOFError, zlib.error) as error:
        raise ReadError(
            "the 3MF file is cut off or damaged",
            measured=f"{len(data)} bytes that are not a whole zip package",
            fix=DAMAGED,
        ) from error


def _refuse_bombs(package: zipfile.ZipFile) -> None:
    infos = package.infolist()
    total = sum(info.file_size for info in infos)
    packed = max(sum(info.compress_size for info in infos), 1)
    if total > _BYTES_LIMIT or (total > _RATIO_FREE and total > _RATIO_LIMIT * packed):
        raise ReadError(
            "the 3MF file unpacks to more than a mesh does",
            measured=f"{total} bytes out of {packed}; at most {_BYTES_LIMIT} and, beyond "
            f"{_RATIO_FREE}, {_RATIO_LIMIT} times the packed size are allowed",
            fix="Export it again, as STL or PLY if it is that large.",
        )


def _content(package: zipfile.ZipFile) -> Content:
    root = _parsed(package, _root_path(package))
    models = {root.path: root}
    if root.unit not in _UNITS:
        raise ReadError(f"the 3MF file states the unknown unit {root.unit!r}", fix=DAMAGED)
    unit, factor = _UNITS[root.unit]

    def found(key: Key) -> _Object:
        path, number = key
        if path not in models:
            models[path] = _parsed(package, path)
        if number not in models[path].objects:
            raise ReadError(
                f"the 3MF file refers to object {number!r}, which is not there",
                where=path,
                fix=DAMAGED,
            )
        return models[path].objects[number]

    meshes: dict[Key, tuple[Floats, Ints]] = {}
    parts: list[tuple[Floats, Ints]] = []
    left_out = 0
    total = 0
    for key, matrix in _instances(root.items, found):
        shape = found(key)
        if shape.kind in _NOT_SURFACE:
            left_out += 1
            continue
        if key not in meshes:
            meshes[key] = _mesh(shape, key)
        total += len(meshes[key][1]) + 1
        if total > _TRIANGLES_LIMIT:
            raise ReadError(
                "the 3MF file repeats its parts without end",
                measured=f"more than {_TRIANGLES_LIMIT} triangles",
                fix="Export the scan alone.",
            )
        parts.append(placed(*meshes[key], matrix))
    vertices, faces = joined_parts(parts)
    notes = []
    if len(parts) > 1:
        notes.append(f"{len(parts)} objects were joined side by side")
    if left_out:
        notes.append(f"{left_out} support objects were left out")
    if factor != 1.0:
        notes.append(f"coordinates in {root.unit}s were taken times {factor:g} as {unit}")
        vertices = vertices * factor
    return Content(
        format="3MF",
        vertices=vertices,
        faces=faces,
        unit=unit,
        comments=tuple(root.metadata),
        notes=tuple(notes),
    )


def _instances(items: Sequence[tuple[Key, Floats]], found: Any) -> Iterator[tuple[Key, Floats]]:
    """Objects with a mesh of their own, placed, in the order of the build."""
    stack = [(key, matrix, 0) for key, matrix in reversed(items)]
    steps = 0
    while stack:
        key, matrix, depth = stack.pop()
        steps += 1
        if depth > _DEPTH_LIMIT or steps + len(stack) > _PARTS_LIMIT:
            raise ReadError(
                "the 3MF file nests its parts without end",
                measured=f"{depth} levels and {steps} parts",
                fix="Export the scan alone.",
            )
        shape = found(key)
        if shape.components:
            stack += [
                (child, matrix @ inner, depth + 1) for child, inner in reversed(shape.components)
            ]
        else:
            yield key, matrix


def _root_path(package: zipfile.ZipFile) -> str:
    """The model the package starts from, by its relationships."""
    targets: list[str] = []

    def start(tag: str, attributes: dict[str, str]) -> None:
        if tag.endswith("Relationship") and attributes.get("Type") == _MODEL_TYPE:
            targets.append(attributes.get("Target", ""))

    if "_rels/.rels" in package.namelist():
        parser = _parser("_rels/.rels")
        parser.StartElementHandler = start
        _parse(parser, package, "_rels/.rels")
    path = posixpath.normpath(targets[0]).lstrip("/") if targets else _MODEL_PATH
    names = {name.lower(): name for name in package.namelist()}
    if path.lower() not in names:
        raise ReadError(
            "the zip file holds no 3MF model",
            measured=f"no {path} in it",
            fix="Unpack it and name the mesh inside.",
        )
    return names[path.lower()]


def _parsed(package: zipfile.ZipFile, path: str) -> _Model:
    model = _Model(path=path)
    current = _Object()
    spaces: dict[str, str] = {}

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal current
        if tag == f"{CORE} vertex":
            current.corners += (attributes["x"], attributes["y"], attributes["z"])
        elif tag == f"{CORE} triangle":
            current.triangles += (attributes["v1"], attributes["v2"], attributes["v3"])
        elif tag == f"{CORE} object":
            current = _Object(kind=attributes.get("type", "model"))
            model.objects[attributes["id"]] = current
        elif tag in (f"{CORE} component", f"{CORE} item"):
            where = attributes.get(f"{_PRODUCTION} path", "/" + path).lstrip("/")
            entry = ((where, attributes["objectid"]), _matrix(attributes.get("transform")))
            (current.components if tag.endswith("component") else model.items).append(entry)
        elif tag == f"{CORE} model":
            model.unit = attributes.get("unit", "millimeter")
            required = attributes.get("requiredextensions", "").split()
            strange = [spaces.get(p, p) for p in required if spaces.get(p) not in _HARMLESS]
            if strange:
                raise ReadError(
                    "the 3MF file requires an extension that is not read",
                    measured=", ".join(strange),
                    fix="Export it as a plain mesh.",
                )
        elif tag == f"{CORE} metadata":
            text: list[str] = []
            name = attributes.get("name", "")
            # heard only in here: a mesh has a blank and an end for each of a million elements
            parser.CharacterDataHandler = text.append
            parser.EndElementHandler = lambda _: end(name, "".join(text))

    def end(name: str, value: str) -> None:
        model.metadata.append(f"{name}: {value.strip()}")
        parser.CharacterDataHandler = parser.EndElementHandler = None

    if path not in package.namelist():
        raise ReadError("the 3MF file refers to a model that is not there", where=path, fix=DAMAGED)
    parser = _parser(path)
    parser.StartElementHandler = start
    parser.StartNamespaceDeclHandler = lambda prefix, uri: spaces.update({prefix or "": uri})
    _parse(parser, package, path)
    return model


def _parser(path: str) -> expat.XMLParserType:
    """A parser that takes no document type, and with it no entities of the file's own."""
    parser = expat.ParserCreate(namespace_separator=" ")

    def doctype(*_: object) -> None:
        raise ReadError(
            "the 3MF file defines entities of its own, which the format forbids",
            where=path,
            fix="Export the scan again.",
        )

    parser.StartDoctypeDeclHandler = doctype
    return parser


def _parse(parser: expat.XMLParserType, package: zipfile.ZipFile, path: str) -> None:
    try:
        with package.open(path) as part:
            while chunk := part.read(_CHUNK):
                parser.Parse(chunk, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise ReadError(
            "the 3MF file's XML is not well-formed",
            measured=expat.errors.messages.get(error.code, "unknown fault"),
            where=f"{path}, line {error.lineno}",
            fix=DAMAGED,
        ) from error
    except KeyError as error:
        raise ReadError(
            f"the 3MF file lacks the attribute {error.args[0]!r}",
            where=f"{path}, line {parser.CurrentLineNumber}",
            fix=DAMAGED,
        ) from error


def _matrix(text: str | None) -> Floats:
    """The twelve numbers of a transform, row by row for row vectors, as a 4 x 4 for columns."""
    matrix = np.eye(4)
    if text is not None:
        words = text.split()
        try:
            refuse_grouped(text)
            rows = np.array([float(word) for word in words]).reshape(4, 3)
        except ValueError as error:
            raise ReadError(
                "the 3MF file has a transform that is not twelve numbers",
                where=repr(text[:80]),
                fix=DAMAGED,
            ) from error
        matrix[:3, :] = rows.T
    return matrix


def _mesh(shape: _Object, key: Key) -> tuple[Floats, Ints]:
    where = f"object {key[1]} of {key[0]}"
    try:
        refuse_grouped("".join(shape.corners) + "".join(shape.triangles))
        corners = np.fromiter(map(float, shape.corners), np.float64, len(shape.corners))
        triangles = np.fromiter(map(int, shape.triangles), np.int64, len(shape.triangles))
    except (ValueError, OverflowError) as error:
        raise ReadError(
            "the 3MF file has a vertex or triangle that is not in numbers",
            measured=str(error),
            where=where,
            fix=DAMAGED,
        ) from error
    vertices, faces = corners.reshape(-1, 3), triangles.reshape(-1, 3)
    if faces.size and not 0 <= faces.min() <= faces.max() < len(vertices):
        # asked for each object alone: side by side, a wrong number would point into the next
        raise ReadError(
            "faces name vertices that are not there",
            measured=f"vertex number {int(faces.max())}, {len(vertices)} vertices",
            where=where,
            fix=DAMAGED,
        )
    return vertices, faces


def package_bytes(parts: Sequence[NamedMesh], *, metadata: Mapping[str, str]) -> bytes:
    """A 3MF package in millimetres: each part an object with its name, kind and build item.

    Numbers are written so that they read back to the bit. The same parts give the same bytes.
    A metadata name that is not one of the format's own (Title, Application ...) goes into a name
    space of ours, as the format asks.
    """
    refuse_unfit(parts)
    model = "".join(_model_text(parts, metadata)).encode("utf-8")
    relations = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<Relationships xmlns="{_RELATIONSHIPS}"><Relationship Target="/{_MODEL_PATH}" '
        f'Id="rel0" Type="{_MODEL_TYPE}"/></Relationships>\n'
    ).encode()
    types = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<Types xmlns="{_CONTENT_TYPES}">'
        '<Default Extension="rels" '
        'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>'
        '<Default Extension="model" '
        'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/></Types>\n'
    ).encode()
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        entries = (("[Content_Types].xml", types), ("_rels/.rels", relations), (_MODEL_PATH, model))
        for name, content in entries:
            entry = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 0  # or the bytes would tell the system they were made on
            package.writestr(entry, content, compresslevel=4)
    return buffer.getvalue()


_WELL_KNOWN: Final = (
    "Title", "Designer", "Description", "Copyright", "LicenseTerms",
    "Rating", "CreationDate", "ModificationDate", "Application",
)  # fmt: skip
_NAME = re.compile(r"[A-Za-z_][\w.-]*", re.ASCII)
_FORBIDDEN = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def _model_text(parts: Sequence[NamedMesh], metadata: Mapping[str, str]) -> Iterator[str]:
    yield '<?xml version="1.0" encoding="UTF-8"?>\n'
    yield f'<model unit="millimeter" xml:lang="en" xmlns="{CORE}" xmlns:blockout="{_OURS}">\n'
    for name, value in metadata.items():
        yield f" {_metadata(name, value)}\n"
    yield " <resources>\n"
    for number, part in enumerate(parts, start=1):
        yield f'  <object id="{number}" type="model" name={quoteattr(_plain(part.name))}>\n'
        yield f"   <metadatagroup>{_metadata('kind', part.kind)}</metadatagroup>\n"
        yield "   <mesh>\n    <vertices>\n"
        yield from _rows('<vertex x="%r" y="%r" z="%r"/>\n', part.mesh.vertices + 0.0)
        yield "    </vertices>\n    <triangles>\n"
        yield from _rows('<triangle v1="%d" v2="%d" v3="%d"/>\n', part.mesh.faces)
        yield "    </triangles>\n   </mesh>\n  </object>\n"
    yield " </resources>\n <build>\n"
    for number in range(1, len(parts) + 1):
        yield f'  <item objectid="{number}"/>\n'
    yield " </build>\n</model>\n"


def _metadata(name: str, value: str) -> str:
    if not _NAME.fullmatch(name):
        raise ValueError(f"{name!r} is no name for 3MF metadata")
    full = name if name in _WELL_KNOWN else f"blockout:{name}"
    return f'<metadata name="{full}">{escape(_plain(value))}</metadata>'


def _plain(text: str) -> str:
    """Without the control characters that XML cannot hold."""
    return _FORBIDDEN.sub("?", text)


def _rows(row: str, numbers: Floats | Ints) -> Iterator[str]:
    step = 10_000
    for start in range(0, len(numbers), step):
        block = numbers[start : start + step]
        yield row * len(block) % tuple(block.reshape(-1).tolist())
