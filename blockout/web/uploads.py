"""Files that come from the browser: kept beside the case under a harmless name of their own."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final, Protocol

from blockout.errors import InputError
from blockout.writing import replacing_file

SUFFIXES: Final = (".stl", ".ply", ".obj", ".off", ".3mf", ".glb", ".gltf")
_LONGEST: Final = 80
_TRIED: Final = 1000


class Uploaded(Protocol):
    """A file as the page's framework hands it over."""

    name: str

    async def save(self, path: str | Path) -> None: ...


def harmless_name(name: str) -> str:
    """The name without folders and without anything but plain letters, digits, ``-``, ``_``, ``.``.

    Raises
    ------
    InputError
        It is not the name of a mesh file.

    >>> harmless_name("../../etc/my scan (2).STL")
    'my_scan_2.stl'
    """
    last = re.split(r"[/\\\\]", name)[-1]
    stem, dot, suffix = last.rpartition(".")
    if not dot or f".{suffix.lower()}" not in SUFFIXES:
        raise InputError(
            "this is not a mesh file",
            measured=f"{last!r}, known are {', '.join(SUFFIXES)}",
            fix="Export it in one of these formats.",
        )
    plain = re.sub(r"[^A-Za-z0-9_-]+", "_", stem).strip("_-")[:_LONGEST]
    return f"{plain or 'scan'}.{suffix.lower()}"


def free_name(folder: Path, name: str) -> Path:
    """A path in the folder that nothing has yet.

    Raises
    ------
    InputError
    """
    path = folder / name
    stem, suffix = path.stem, path.suffix
    for number in range(2, _TRIED):
        if not path.exists():
            return path
        path = folder / f"{stem}-{number}{suffix}"
    raise InputError("there are too many files of this name", where=name, fix="Rename the file.")


async def kept_upload(folder: Path, file: Uploaded) -> Path:
    """Write an upload into the folder, whole or not at all.

    Raises
    ------
    InputError, OutputError
    """
    target = free_name(folder, harmless_name(file.name))
    with replacing_file(target) as unfinished:
        await file.save(unfinished)
    return target
