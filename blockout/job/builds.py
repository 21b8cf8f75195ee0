"""From a cast to a blocked-out model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from blockout.arms.arm import Arm
from blockout.case.case import Case
from blockout.case.facts import case_facts
from blockout.cast.prepare import Prepared
from blockout.cast.record import write_cast
from blockout.check.arm_warnings import arm_warnings
from blockout.check.border_warnings import border_warnings
from blockout.check.mould_warnings import mould_warnings, remaining_undercut
from blockout.check.wall_warnings import void_warnings, wall_warnings
from blockout.check.warnings import TradeWarning, survey_warnings, wax_warnings
from blockout.job.casts import cast_of_case
from blockout.job.desk import SUMMARY, Stopwatch, write_json
from blockout.kernel.files import write_stl
from blockout.model.build import Model, build_model
from blockout.model.export import check_stl, fit_for_files, parts_of, write_model
from blockout.model.pockets import fill_pockets
from blockout.progress import Progress, silent
from blockout.recording.groove import Carved, carve
from blockout.recording.record import Recorded, record_path
from blockout.recording.recording_facts import carved_facts, tripod_facts
from blockout.report.facts import build_summary, json_ready, versions
from blockout.report.pictures import model_pictures, write_picture
from blockout.report.prescription_facts import prescription_facts
from blockout.surveying.by_tooth import survey_by_tooth
from blockout.surveying.survey import Survey, survey
from blockout.teeth.crowns import Teeth
from blockout.teeth.named import kennedy_of, teeth_of
from blockout.wax.pour import Poured, pour
from blockout.wax.space import Space
from blockout.wax.wax import Wax
from blockout.writing import replacing_folder

BUILD_FILES: Final = ("model.stl", "model.3mf", "wax/*.stl", "cast.ply", SUMMARY, "pictures/*.png")
"""All that a build folder holds."""


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
    waxes, left = poured.waxes, poured.left
    recorded: Recorded | None = None
    cut: tuple[Carved, ...] = ()
    if case.recording.engrave or case.recording.score:
        with watch.stage("recording"):
            progress("recording the path")
            recorded, cut, left = _recorded(read, case, poured, teeth, progress)
    with watch.stage("model"):
        progress("joining cast and wax")
        joined = build_model(left, waxes, grooves=(*poured.grooves, *cut))
        model, filling = fill_pockets(joined, cast)
        if filling is not None:
            waxes = (*waxes, filling)
        parts = (*waxes, *poured.grooves)
        if for_files:
            model, parts = fit_for_files(model, parts)
    with watch.stage("checks"):
        progress("checking the model")
        remaining = remaining_undercut(model.mesh, cast, read.path, arms=poured.arms)
        mould_wall_mm = case.arbitrary.mould_wall_mm
        warnings: tuple[TradeWarning, ...] = (
            *survey_warnings(read, path=case.path),
            *wax_warnings(read, waxes),
            *arm_warnings(poured.arms, waxes, prescription=case, teeth=teeth),
            *border_warnings(cast, teeth, case, settings=case.border),
            *wall_warnings(model.mesh),
            *void_warnings(model.mesh, waxes),
            *mould_warnings(remaining, mould_wall_mm=mould_wall_mm),
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
    summary |= {"mould": json_ready(remaining.facts(mould_wall_mm=mould_wall_mm))}
    summary |= prescription_facts(
        arms=poured.arms,
        teeth=() if teeth is None else survey_by_tooth(read, teeth),
        kennedy=kennedy_of(cast.arch, case.teeth),
    )
    if recorded is not None:
        summary |= {
            "recorded": {
                "tripod": tripod_facts(recorded.tripod),
                "carved": carved_facts(cut, recorded.grooves),
            }
        }
    return Built(read, parts, model, summary, poured.arms)


def _recorded(
    read: Survey, case: Case, poured: Poured, teeth: Teeth | None, progress: Progress
) -> tuple[Recorded, tuple[Carved, ...], Space]:
    """Tripod marks and scored lines, cut into the cast where no wax lies."""
    meshes = [wax.mesh for wax in poured.waxes if wax.mesh is not None]
    recorded = record_path(
        read.cast,
        read.path,
        settings=case.recording,
        prescription=case,
        teeth=teeth,
        arms=poured.arms,
        waxes=poured.waxes,
        progress=progress,
    )
    cut, left = carve(poured.left, recorded.grooves, spared=meshes)
    return recorded, cut, left


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
    with replacing_folder(out, ours=BUILD_FILES, signed_by=SUMMARY) as folder:
        with watch.stage("prepare"):
            prepared = prepared or cast_of_case(case, progress)
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
        write_json(folder / SUMMARY, summary)
    return replace(built, summary=summary, out=out)


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
        metadata=model_metadata(built.summary, "scan")
        | ({"Title": case.name} if case.name else {}),
    )


def model_metadata(summary: Mapping[str, Any], frame: str) -> dict[str, str]:
    """What a model file says of itself, from its build's summary."""
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
