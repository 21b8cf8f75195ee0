"""From a scan to a cast."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from blockout.case.case import Case
from blockout.case.settings import PrepareSettings
from blockout.cast.inspect import Inspection, inspect_mesh
from blockout.cast.prepare import Prepared, prepare
from blockout.cast.record import read_cast, write_cast
from blockout.cast.scan import Scan, read_scan
from blockout.errors import InputError
from blockout.job.desk import Stopwatch, not_the_input
from blockout.progress import Progress, silent
from blockout.units import LengthUnit


@dataclass(frozen=True, eq=False)
class Inspected:
    """A scan as it is, and what was found of it."""

    scan: Scan
    inspection: Inspection


@dataclass(frozen=True, eq=False)
class PreparedFile:
    """A cast, what was done to get it, and where it was written."""

    prepared: Prepared
    out: Path
    timings_s: Mapping[str, float]


def inspect_file(path: Path | str, *, unit: LengthUnit | None = None) -> Inspected:
    """Read a scan and say what is wrong with it; nothing is mended.

    Raises
    ------
    ReadError, UnitError
    """
    scan = read_scan(Path(path), unit=unit)
    return Inspected(scan, inspect_mesh(scan.mesh))


def load_cast(
    path: Path | str,
    *,
    unit: LengthUnit | None = None,
    settings: PrepareSettings | None = None,
    progress: Progress = silent,
) -> Prepared:
    """A prepared cast as it was stored, or a scan made into one.

    Raises
    ------
    ReadError, UnitError, DefectError
    InputError
        A prepared cast was asked to be turned: its frame is stored with it.
    """
    settings = settings or PrepareSettings()
    path = Path(path)
    progress("reading the file")
    stored = read_cast(path)
    if stored is None:
        return prepare(read_scan(path, unit=unit), settings=settings, progress=progress)
    given = sorted(settings.model_fields_set - {"arch"})
    if given:
        raise InputError(
            "this cast was prepared already, and is surveyed as it was stored",
            measured=f"asked for {', '.join(given)}",
            where=path.name,
            fix="Leave these out, or prepare the scan again with them.",
        )
    if settings.arch is not None:
        stored = replace(stored, arch=settings.arch, arch_stated=True)
    return Prepared(cast=stored, changes=(), notes=())


def cast_of_case(case: Case, progress: Progress = silent) -> Prepared:
    """The cast a case names, stored or made from its scan; its file is seen from the working
    folder.

    Raises
    ------
    ReadError, UnitError, DefectError, InputError
    """
    settings = PrepareSettings.model_validate(
        case.cast.model_dump(exclude_unset=True, exclude={"file", "unit"})
    )
    return load_cast(
        Path(case.cast.file), unit=case.cast.unit, settings=settings, progress=progress
    )


def prepare_file(
    path: Path | str,
    *,
    unit: LengthUnit | None = None,
    settings: PrepareSettings | None = None,
    out: Path | str,
    progress: Progress = silent,
) -> PreparedFile:
    """Make a scan a closed cast and write it.

    Raises
    ------
    ReadError, UnitError, DefectError, InputError, OutputError
    """
    watch = Stopwatch()
    path, out = Path(path), Path(out)
    not_the_input(path, out)
    with watch.stage("read"):
        progress("reading the file")
        scan = read_scan(path, unit=unit)
    with watch.stage("prepare"):
        prepared = prepare(scan, settings=settings, progress=progress)
    with watch.stage("write"):
        progress("writing the cast")
        write_cast(out, prepared.cast)
    return PreparedFile(prepared, out, watch.all_s())
