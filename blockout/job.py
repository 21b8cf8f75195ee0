"""The order of the work: the only file that knows it. Each verb here is a command too."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from blockout.arms.arm import Arm
from blockout.case.case import Case
from blockout.case.edit import write_case
from blockout.case.facts import case_facts
from blockout.case.settings import Arch, PathSettings, PrepareSettings, SurveySettings
from blockout.cast.inspect import Inspection, inspect_mesh
from blockout.cast.prepare import Prepared, prepare
from blockout.cast.record import read_cast, write_cast
from blockout.cast.scan import Scan, read_scan
from blockout.check.arm_warnings import arm_warnings
from blockout.check.warnings import TradeWarning, survey_warnings, wax_warnings
from blockout.errors import InputError, OutputError, ReadError
from blockout.kernel.files import NamedMesh, write_ply, write_stl
from blockout.model.build import Model, build_model
from blockout.model.export import (
    FORMATS,
    Format,
    check_stl,
    fit_for_files,
    in_cast_frame,
    parts_of,
    write_model,
)
from blockout.model.pockets import fill_pockets
from blockout.progress import Progress, silent
from blockout.report.facts import build_summary, json_ready, survey_facts, versions
from blockout.report.pictures import model_pictures, survey_pictures, write_picture
from blockout.report.prescription_facts import prescription_facts
from blockout.samples.prescriptions import demo_case
from blockout.samples.scenario import LOWER, UPPER, demo_scan
from blockout.surveying.by_tooth import survey_by_tooth
from blockout.surveying.lines import Polyline
from blockout.surveying.survey import Survey, survey
from blockout.teeth.named import kennedy_of, teeth_of
from blockout.units import LengthUnit
from blockout.wax.pour import pour
from blockout.wax.wax import Wax
from blockout.writing import replacing_folder

SUMMARY: Final = "summary.json"
SURVEY: Final = "survey.json"
BUILD_FILES: Final = ("model.stl", "model.3mf", "wax/*.stl", "cast.ply", SUMMARY, "pictures/*.png")
"""All that a build folder holds."""
SURVEY_FILES: Final = (SURVEY, "depth.ply", "lines.json", "*.png")
"""All that a survey folder holds."""
_DEMO_FILES: Final = (
    "scan.stl",
    "case.toml",
    "cast.ply",
    "model.3mf",
    *(f"survey/{name}" for name in SURVEY_FILES),
    *(f"build/{name}" for name in BUILD_FILES),
)


class Stopwatch:
    """Seconds of each stage of a job, and of all."""

    def __init__(self) -> None:
        self.timings_s: dict[str, float] = {}
        self._begun = time.perf_counter()

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        begun = time.perf_counter()
        yield
        self.timings_s[name] = round(time.perf_counter() - begun, 4)

    def all_s(self) -> dict[str, float]:
        return {**self.timings_s, "total": round(time.perf_counter() - self._begun, 4)}


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


@dataclass(frozen=True, eq=False)
class SurveyedFile:
    """A survey, its facts as ``survey.json`` holds them, and its folder."""

    survey: Survey
    prepared: Prepared
    facts: dict[str, Any]
    out: Path


@dataclass(frozen=True, eq=False)
class Built:
    """A blocked-out model with all that led to it.

    ``waxes`` are all parts, beads last, whose volume is taken away of the cast. ``summary`` is what
    ``summary.json`` holds; ``out`` is None where nothing was written.
    """

    survey: Survey
    waxes: tuple[Wax, ...]
    model: Model
    summary: dict[str, Any]
    arms: tuple[Arm, ...] = ()
    out: Path | None = None


@dataclass(frozen=True)
class Exported:
    """A model written in another format or frame."""

    out: Path
    file_format: Format
    triangles: int
    volume_mm3: float


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
    _not_the_input(path, out)
    with watch.stage("read"):
        progress("reading the file")
        scan = read_scan(path, unit=unit)
    with watch.stage("prepare"):
        prepared = prepare(scan, settings=settings, progress=progress)
    with watch.stage("write"):
        progress("writing the cast")
        write_cast(out, prepared.cast)
    return PreparedFile(prepared, out, watch.all_s())


def survey_file(
    path: Path | str,
    *,
    unit: LengthUnit | None = None,
    prepare: PrepareSettings | None = None,
    path_of_insertion: PathSettings | None = None,
    settings: SurveySettings | None = None,
    out: Path | str,
    progress: Progress = silent,
) -> SurveyedFile:
    """Survey a cast or a scan along one path, and write facts, lines, depths and pictures.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError, OutputError
    """
    watch = Stopwatch()
    out = Path(out)
    insertion = path_of_insertion or PathSettings()
    with replacing_folder(out, ours=SURVEY_FILES, signed_by=SURVEY) as folder:
        with watch.stage("prepare"):
            prepared = load_cast(path, unit=unit, settings=prepare, progress=progress)
        with watch.stage("survey"):
            read = survey(prepared.cast, path=insertion, settings=settings, progress=progress)
        with watch.stage("pictures"):
            progress("drawing pictures")
            for name, picture in survey_pictures(read):
                write_picture(folder / f"{name}.png", picture)
        with watch.stage("write"):
            progress("writing files")
            write_ply(
                folder / "depth.ply",
                prepared.cast.mesh,
                comments=["blockout unit mm"],
                vertex_fields={"depth_mm": read.depth_mm},
            )
            _write_json(folder / "lines.json", _lines(read))
        facts = survey_facts(
            read,
            changes=prepared.changes,
            notes=prepared.notes,
            warnings=survey_warnings(read, path=insertion),
            timings_s=watch.all_s(),
        )
        _write_json(folder / SURVEY, facts)
    return SurveyedFile(read, prepared, facts, out)


def block_out(
    prepared: Prepared,
    case: Case,
    *,
    for_files: bool = False,
    progress: Progress = silent,
    watch: Stopwatch | None = None,
) -> Built:
    """Survey, wax and model of one case, in memory.

    ``for_files`` makes meshes that stay solid in files of single precision; nothing moves by
    more than a few nanometres.

    Raises
    ------
    PathError, InputError, CheckError
    """
    watch = watch or Stopwatch()
    cast = prepared.cast
    with watch.stage("survey"):
        read = survey(cast, path=case.path, settings=case.survey, progress=progress)
    teeth = None
    if case.teeth.tooth:
        with watch.stage("teeth"):
            teeth = teeth_of(cast, case.teeth, progress=progress)
    with watch.stage("blockout"):
        poured = pour(read, case, teeth, progress=progress)
    waxes = poured.waxes
    with watch.stage("model"):
        progress("joining cast and wax")
        joined = build_model(poured.left, waxes, grooves=poured.grooves)
        model, filling = fill_pockets(joined, cast)
        if filling is not None:
            waxes = (*waxes, filling)
        parts = (*waxes, *poured.grooves)
        if for_files:
            model, parts = fit_for_files(model, parts)
    warnings: tuple[TradeWarning, ...] = (
        *survey_warnings(read, path=case.path),
        *wax_warnings(read, waxes),
        *arm_warnings(poured.arms, waxes, prescription=case),
    )
    summary = build_summary(
        read,
        waxes=parts,
        model=model,
        changes=prepared.changes,
        notes=(
            *prepared.notes,
            *(note for part in parts for note in part.notes),
            *(note for arm in poured.arms for note in arm.notes),
        ),
        warnings=warnings,
        timings_s=watch.all_s(),
        case=case_facts(case),
        undercut_volume_mm3=poured.undercut_volume_mm3,
    )
    summary |= prescription_facts(
        arms=poured.arms,
        teeth=() if teeth is None else survey_by_tooth(read, teeth),
        kennedy=kennedy_of(cast.arch, case.teeth),
    )
    return Built(read, parts, model, summary, poured.arms)


def build_case(
    case: Case,
    *,
    out: Path | str,
    prepared: Prepared | None = None,
    progress: Progress = silent,
) -> Built:
    """Build a case and write its folder; ``case.cast.file`` is seen from the working folder.

    ``prepared`` is the case's cast where it was prepared before; it is read when left out.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError, OutputError, CheckError
        On any error nothing is written, and an older folder stays as it was.
    """
    watch = Stopwatch()
    out = Path(out)
    asked = case.cast
    settings = PrepareSettings.model_validate(
        asked.model_dump(exclude_unset=True, exclude={"file", "unit"})
    )
    with replacing_folder(out, ours=BUILD_FILES, signed_by=SUMMARY) as folder:
        with watch.stage("prepare"):
            prepared = prepared or load_cast(
                Path(asked.file), unit=asked.unit, settings=settings, progress=progress
            )
        built = block_out(prepared, case, for_files=True, progress=progress, watch=watch)
        with watch.stage("write"):
            progress("writing files")
            _write_build(folder, built, case)
        with watch.stage("pictures"):
            progress("drawing pictures")
            pictures = model_pictures(prepared.cast, built.waxes, built.survey.path)
            for name, picture in pictures:
                write_picture(folder / "pictures" / f"{name}.png", picture)
        summary = {**built.summary, "timings_s": watch.all_s()}
        _write_json(folder / SUMMARY, summary)
    return replace(built, summary=summary, out=out)


def export_model(
    folder: Path | str, *, file_format: str, out: Path | str, frame: str = "scan"
) -> Exported:
    """Write a built model in another format, in the scan's coordinates or the cast frame.

    Raises
    ------
    InputError
        The folder holds no build, or format or frame are unknown.
    OutputError, CheckError
    """
    folder, out = Path(folder), Path(out)
    known = _known_format(file_format)
    summary = _summary_of(folder)
    _not_the_input(folder / SUMMARY, out)
    cast = read_cast(folder / "cast.ply")
    if cast is None:
        raise ReadError(
            "the build's cast carries no record of how it was prepared",
            where=str(folder / "cast.ply"),
            fix="Run `blockout build` again.",
        )
    parts = [NamedMesh("cast", cast.mesh, "cast")]
    for part in summary["parts"]:
        if part["triangles"]:
            mesh = read_scan(folder / "wax" / f"{part['name']}.stl", unit="mm").mesh
            parts.append(NamedMesh(part["name"], mesh, part["kind"]))
    model = read_scan(folder / "model.stl", unit="mm").mesh
    if frame == "cast":
        model = in_cast_frame(model, cast.frame)
        parts = [replace(part, mesh=in_cast_frame(part.mesh, cast.frame)) for part in parts]
    elif frame != "scan":
        raise InputError(
            f"{frame!r} is no frame", measured="known are scan, cast", fix="Write --frame cast."
        )
    write_model(out, model, parts, file_format=known, metadata=_metadata(summary, frame))
    if known == "stl":
        check_stl(out, model)
    return Exported(out, known, model.triangle_count, model.volume_mm3)


def demo(out: Path | str, progress: Progress = silent, *, arch: Arch = "lower") -> Built:
    """A case of our own making, from scan to exported model, in one folder.

    Parameters
    ----------
    arch : "lower" or "upper"
        Which of the two demo cases.

    Raises
    ------
    OutputError
        The folder holds other files, or cannot be written.
    """
    out = Path(out)
    scenario = {"lower": LOWER, "upper": UPPER}[arch]
    with replacing_folder(out, ours=_DEMO_FILES, signed_by="case.toml") as folder:
        progress("making up a scan")
        write_stl(folder / "scan.stl", demo_scan(scenario))
        case = demo_case(scenario, file="scan.stl")
        write_case(folder / "case.toml", case)
        made = prepare_file(
            folder / "scan.stl",
            settings=PrepareSettings(arch=arch),
            out=folder / "cast.ply",
            progress=progress,
        )
        survey_file(
            folder / "cast.ply",
            path_of_insertion=case.path,
            settings=case.survey,
            out=folder / "survey",
            progress=progress,
        )
        built = build_case(case, out=folder / "build", prepared=made.prepared, progress=progress)
        progress("exporting the model")
        export_model(folder / "build", file_format="3mf", out=folder / "model.3mf")
    return replace(built, out=out)


def _write_build(folder: Path, built: Built, case: Case) -> None:
    cast = built.survey.cast
    write_cast(folder / "cast.ply", cast)
    for wax in built.waxes:
        if wax.mesh is not None:
            write_stl(folder / "wax" / f"{wax.name}.stl", wax.mesh)
            check_stl(folder / "wax" / f"{wax.name}.stl", wax.mesh)
    write_stl(folder / "model.stl", built.model.mesh)
    check_stl(folder / "model.stl", built.model.mesh)
    write_model(
        folder / "model.3mf",
        built.model.mesh,
        parts_of(cast, built.waxes),
        file_format="3mf",
        metadata=_metadata(built.summary, "scan") | ({"Title": case.name} if case.name else {}),
    )


def _metadata(summary: Mapping[str, Any], frame: str) -> dict[str, str]:
    path = summary["path"]
    direction = path["direction"] if frame == "scan" else path["direction_cast"]
    return {
        "Application": f"blockout {versions()['blockout']}",
        "anterior_tilt_deg": repr(path["anterior_tilt_deg"]),
        "lateral_tilt_deg": repr(path["lateral_tilt_deg"]),
        "path_direction": " ".join(repr(value) for value in direction),
        "coordinates": frame,
        "source_sha256": summary["cast"]["source_sha256"],
    }


def _lines(read: Survey) -> dict[str, Any]:
    """Survey lines and iso-lines as points in file coordinates."""

    def told(lines: Sequence[Polyline]) -> list[dict[str, Any]]:
        return [{"closed": line.closed, "points_mm": line.points_mm} for line in lines]

    lines: dict[str, Any] = json_ready(
        {
            "survey_lines": told(read.survey_lines),
            "iso_lines": [
                {"depth_mm": gauge_mm, "lines": told(lines)}
                for gauge_mm, lines in read.iso_lines.items()
            ],
        }
    )
    return lines


def _write_json(path: Path, document: Mapping[str, Any]) -> None:
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def _known_format(text: str) -> Format:
    for known in FORMATS:
        if text == known:
            return known
    raise InputError(
        f"{text!r} is no format", measured=f"known are {', '.join(FORMATS)}", fix="Write --format."
    )


def _summary_of(folder: Path) -> dict[str, Any]:
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        _ = summary["parts"], summary["path"], summary["cast"]["source_sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            "this is not a folder that a build wrote",
            measured=f"{SUMMARY}: {type(error).__name__}",
            where=str(folder),
            fix="Name the folder given to `blockout build --out`.",
        ) from error
    return dict(summary)


def _not_the_input(given: Path, out: Path) -> None:
    if given.exists() and out.exists() and given.resolve() == out.resolve():
        raise OutputError(
            "the output would take the place of the input",
            where=str(out),
            fix="Name another file with --out; an input file is never changed.",
        )
