"""A built folder, and the folders beside it, as the material of a report."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from blockout.cast.cast import Cast
from blockout.cast.record import read_cast
from blockout.cast.scan import read_scan
from blockout.comparing.built import path_along
from blockout.errors import InputError, ReadError
from blockout.report.page.material import (
    SUMMARY_NAME,
    Companion,
    FileMark,
    Kind,
    checked_summary,
    of_one_cast,
)
from blockout.report.page.section import CutBody
from blockout.report.page.traced import Traced, number, numbers, plain
from blockout.report.view import VIEWS
from blockout.surveying.path import InsertionPath

_PNG: Final = b"\x89PNG\r\n\x1a\n"
_LARGEST_JSON_BYTES: Final = 64 * 1024 * 1024
_PICTURES_MOST: Final = 6

_DOCUMENTS: Final[dict[str, tuple[Kind, str]]] = {
    "choices.json": ("choice", "total.png"),
    "tripod.json": ("tripod", "tripod.png"),
    "try_in.json": ("try-in", "*.png"),
    "compare.json": ("comparison", "*/occlusal.png"),
}
"""Documents of other commands' folders, and which of their pictures a report shows."""

_SCHEMAS: Final[dict[str, Kind]] = {
    "blockout-choices/1": "choice",
    "blockout-tripod/1": "tripod",
    "blockout-try-in/1": "try-in",
    "blockout-compare/1": "comparison",
    "blockout-sureness/1": "sureness",
}
_ONCE: Final = ("choice", "tripod", "sureness")


@dataclass(frozen=True, eq=False)
class BuiltFolder:
    """What a build's folder holds, as far as a report shows it."""

    summary: dict[str, Any]
    cast: Cast
    path: InsertionPath
    waxes: tuple[CutBody, ...]
    pictures: dict[str, bytes]
    files: tuple[FileMark, ...]


def read_built(folder: Path) -> BuiltFolder:
    """Read a folder that a build wrote, and see that its files belong together.

    Raises
    ------
    InputError
        The folder holds no build, one of another version or an incomplete one.
    ReadError
        A file of it is missing, damaged, or not of this build.
    """
    summary_file = folder / SUMMARY_NAME
    if not summary_file.is_file():
        raise InputError(
            "this is not a folder that a build wrote",
            measured=f"it holds no {SUMMARY_NAME}",
            where=str(folder),
            fix="Name the folder given to `blockout build --out`.",
        )
    document = _document(summary_file)
    summary = checked_summary(document)
    cast = read_cast(folder / "cast.ply")
    if cast is None:
        raise _foreign(folder / "cast.ply", "it carries no record of how it was prepared")
    if summary.cast.source_sha256 != cast.source.sha256:
        raise _foreign(folder / "cast.ply", "it was made from another scan")
    _same_count(folder / "cast.ply", cast.mesh.triangle_count, summary.cast.triangles)
    x, y, z = numbers(summary.path.direction, count=3)
    waxes = []
    for part in summary.parts:
        if number(part.triangles):
            name = str(plain(part.name))
            file = _inside(folder / "wax", f"{name}.stl")
            mesh = read_scan(file, unit="mm").mesh
            _same_count(file, mesh.triangle_count, part.triangles)
            waxes.append(CutBody(name, str(plain(part.kind)), mesh))
    pictures = {
        name: _png(folder / "pictures" / f"{name}.png")
        for name in VIEWS
        if (folder / "pictures" / f"{name}.png").is_file()
    }
    listed = ["model.stl", "model.3mf", "cast.ply", SUMMARY_NAME]
    listed += [f"wax/{wax.name}.stl" for wax in waxes]
    marks = tuple(_mark(folder, name) for name in listed if (folder / name).is_file())
    if marks[0].name != "model.stl":
        raise _foreign(folder / "model.stl", "it is not there")
    return BuiltFolder(document, cast, path_along(cast, (x, y, z)), tuple(waxes), pictures, marks)


def read_companions(places: Sequence[Path], summary: dict[str, Any]) -> tuple[Companion, ...]:
    """Documents beside a build: folders of other commands, or JSON files of theirs.

    Raises
    ------
    InputError
        A folder without a document of ours, one of an unknown version, about another cast, or
        given twice.
    """
    companions = tuple(one for place in places for one in _companions_at(place))
    for kind in _ONCE:
        given = [one.name for one in companions if one.kind == kind]
        if len(given) > 1:
            raise InputError(
                f"there is more than one document of a {kind}",
                measured=", ".join(given),
                fix="Leave out all but one --with.",
            )
    for one in companions:
        of_one_cast(Traced(summary, SUMMARY_NAME), one)
    return companions


def _companions_at(place: Path) -> Iterator[Companion]:
    if place.is_file():
        yield _companion(place, place.name, ())
        return
    found = [name for name in _DOCUMENTS if (place / name).is_file()]
    if not found:
        raise InputError(
            "this folder holds nothing that a report could show",
            measured=f"none of {', '.join(_DOCUMENTS)} is in it",
            where=str(place),
            fix="Name a folder that choose-path, tripod, try-in or compare wrote with --with.",
        )
    for name in found:
        files = sorted(place.glob(_DOCUMENTS[name][1]))[:_PICTURES_MOST]
        pictures = tuple((file.stem, _png(file)) for file in files)
        yield _companion(place / name, f"{place.name}/{name}", pictures)


def _companion(file: Path, name: str, pictures: tuple[tuple[str, bytes], ...]) -> Companion:
    facts = _document(file)
    schema = facts.get("schema")
    kind = _SCHEMAS.get(schema) if isinstance(schema, str) else None
    if kind is None:
        raise InputError(
            f"{file.name} is no document that this version's report could show",
            measured=f"its schema is {schema!r}, known are {', '.join(_SCHEMAS)}",
            where=str(file),
            fix="Run the command that wrote it again, or leave it out.",
        )
    return Companion(kind, name, facts, pictures)


def _document(file: Path) -> dict[str, Any]:
    try:
        if file.stat().st_size > _LARGEST_JSON_BYTES:
            raise ValueError(f"it is larger than {_LARGEST_JSON_BYTES // 1024**2} MB")
        found = json.loads(file.read_text(encoding="utf-8"), parse_constant=_no_number)
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"{file.name} cannot be read as JSON",
            measured=str(error) or type(error).__name__,
            where=str(file),
            fix="Run the command that wrote it again.",
        ) from error
    if not isinstance(found, dict):
        raise InputError(
            f"{file.name} is no document of ours",
            measured=f"it holds a {type(found).__name__}",
            where=str(file),
        )
    return found


def _no_number(text: str) -> float:
    raise ValueError(f"{text} is not a number")


def _inside(folder: Path, name: str) -> Path:
    """A file of a folder, whatever a document may have it be called."""
    file = folder / name
    if file.parent != folder or not file.is_file():
        raise _foreign(file, "it is not there")
    return file


def _png(file: Path) -> bytes:
    try:
        held = file.read_bytes()
    except OSError as error:
        raise _foreign(file, error.strerror or type(error).__name__) from error
    if not held.startswith(_PNG):
        raise _foreign(file, "it is no PNG picture")
    return held


def _mark(folder: Path, name: str) -> FileMark:
    with (folder / name).open("rb") as opened:
        sha256 = hashlib.file_digest(opened, "sha256").hexdigest()
    return FileMark(name, (folder / name).stat().st_size, sha256)


def _same_count(file: Path, found: int, told: Traced) -> None:
    if told != found:
        raise _foreign(
            file, f"it has {found:,} triangles, {SUMMARY_NAME} tells of {number(told):,.0f}"
        )


def _foreign(file: Path, measured: str) -> ReadError:
    return ReadError(
        "a file of the build is not what the build wrote",
        measured=measured,
        where=str(file),
        fix="Run `blockout build` again.",
    )
