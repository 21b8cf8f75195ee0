"""Putting a path on the cast, finding it again, and telling how sure it is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from blockout.arms.arm import Arm
from blockout.arms.laying import lay_arm
from blockout.case.case import Case
from blockout.cast.cast import Cast
from blockout.job.casts import cast_of_case
from blockout.job.desk import write_json
from blockout.kernel.files import write_stl
from blockout.mesh import Mesh, solidity
from blockout.model.build import Model
from blockout.model.export import check_stl, fit_for_files
from blockout.progress import Progress, silent
from blockout.recording.groove import carve
from blockout.recording.guiding import Guide
from blockout.recording.record import Recorded, how_sure, record_path
from blockout.recording.recording_facts import (
    REPOSITION_SCHEMA,
    SURENESS_SCHEMA,
    TRIPOD_SCHEMA,
    carved_facts,
    cone_facts,
    guiding_facts,
    repositioned_facts,
    sureness_facts,
    tripod_facts,
)
from blockout.recording.reposition import path_from_marks, upright_from_heights
from blockout.report.facts import cast_facts, path_facts, versions
from blockout.report.pictures import write_picture
from blockout.report.tripod_picture import draw_tripod
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import survey
from blockout.teeth.named import teeth_of
from blockout.wax.space import free_space
from blockout.writing import replacing_folder

TRIPOD: Final = "tripod.json"
TRIPOD_FILES: Final = (TRIPOD, "tripod.png", "marked_cast.stl")
"""All that a folder of tripod marks holds."""


def record_on_cast(
    case: Case, *, out: Path | None = None, progress: Progress = silent
) -> dict[str, Any]:
    """Find the marks that record a case's path, and cut what ``case.recording`` asks for.

    Returns the facts, as ``tripod.json`` in the folder ``out`` holds them.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError, OutputError, CheckError
    """
    prepared = cast_of_case(case, progress)
    cast = prepared.cast
    path = insertion_path(cast.frame, arch=cast.arch, settings=case.path)
    teeth = teeth_of(cast, case.teeth, progress=progress)
    arms: list[Arm] = []
    if case.arm and teeth is not None:
        read = survey(cast, path=case.path, settings=case.survey, progress=progress)
        progress("laying arms")
        arms = [lay_arm(read, teeth, one) for one in case.arm]
    done = record_path(
        cast,
        path,
        settings=case.recording,
        prescription=case,
        teeth=teeth,
        arms=arms,
        progress=progress,
    )
    marked = None
    carved: list[dict[str, Any]] = []
    if done.grooves:
        progress("carving")
        cut, space = carve(free_space(cast, path), done.grooves)
        carved = carved_facts(cut, done.grooves)
        marked = space.mould_filled()
    facts = {
        "schema": TRIPOD_SCHEMA,
        "cast": cast_facts(cast),
        "path": path_facts(path),
        "tripod": tripod_facts(done.tripod),
        "carved": carved,
        "notes": [*prepared.notes, *done.tripod.notes],
        "versions": versions(),
    }
    if out is not None:
        progress("writing files")
        _write(out, facts, cast, done, marked)
    return facts


def reposition_cast(
    case: Case,
    marks_mm: Sequence[Sequence[float]],
    *,
    heights_mm: Sequence[float] | None = None,
    progress: Progress = silent,
) -> dict[str, Any]:
    """The path that three marks record; with their heights on another table, how the cast stands
    there.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError
    """
    prepared = cast_of_case(case, progress)
    cast = prepared.cast
    dz_mm = case.recording.reading_error_mm
    recorded = path_from_marks(cast, marks_mm, reading_error_mm=dz_mm)
    table = None
    if heights_mm is not None:
        table = upright_from_heights(cast, marks_mm, heights_mm, reading_error_mm=dz_mm)
    stated = insertion_path(cast.frame, arch=cast.arch, settings=case.path)
    said = case.path.model_fields_set & {"anterior_tilt_deg", "lateral_tilt_deg", "direction"}
    return {
        "schema": REPOSITION_SCHEMA,
        "cast": cast_facts(cast),
        "marks": repositioned_facts(recorded, recorded=stated if said else None),
        "table": None if table is None else repositioned_facts(table, recorded=recorded.path),
        "notes": list(prepared.notes),
        "versions": versions(),
    }


def sureness_of(
    case: Case, *, guides: Sequence[Guide] = (), progress: Progress = silent
) -> dict[str, Any]:
    """How sure depths, forces, guiding planes and volume of a case are, and which other paths its
    guiding surfaces leave.

    Parameters
    ----------
    guides : sequence of (tooth, aspect)
        Guiding surfaces; those of the case, or the sides that face a gap, when left out.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError
    """
    prepared = cast_of_case(case, progress)
    cast = prepared.cast
    read = survey(cast, path=case.path, settings=case.survey, progress=progress)
    named = [(one.tooth, one.aspect) for one in case.choosing.guiding_plane]
    done = how_sure(
        read,
        case,
        teeth=teeth_of(cast, case.teeth, progress=progress),
        guides=guides or named,
        settings=case.sureness,
        progress=progress,
    )
    return {
        "schema": SURENESS_SCHEMA,
        "cast": cast_facts(cast),
        "path": path_facts(read.path),
        "sureness": sureness_facts(done.sureness),
        "guiding_surfaces": guiding_facts(done.guides),
        "one_path": {
            "guiding_planes": cone_facts(done.by_planes),
            "with_blockout": cone_facts(done.by_blockout),
        },
        "notes": [*prepared.notes, *done.notes],
        "versions": versions(),
    }


def _write(
    out: Path, facts: dict[str, Any], cast: Cast, done: Recorded, marked: Mesh | None
) -> None:
    with replacing_folder(out, ours=TRIPOD_FILES, signed_by=TRIPOD) as folder:
        picture = draw_tripod(
            cast, done.tripod, design_faces=done.design.faces, design_mm=done.design.points_mm
        )
        write_picture(folder / "tripod.png", picture)
        if marked is not None:
            model, _ = fit_for_files(Model(marked, marked.volume_mm3, solidity(marked)), ())
            write_stl(folder / "marked_cast.stl", model.mesh)
            check_stl(folder / "marked_cast.stl", model.mesh)
        write_json(folder / TRIPOD, facts)
