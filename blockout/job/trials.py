"""Trying a framework in on a case's cast."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from blockout.arms.laying import lay_arm
from blockout.case.case import Case
from blockout.job.casts import cast_of_case
from blockout.job.desk import Stopwatch, write_json
from blockout.progress import Progress, silent
from blockout.report.cautions import CAUTIONS
from blockout.report.facts import cast_facts, json_ready, path_facts, versions
from blockout.report.try_in_picture import TRY_IN, TRY_IN_FILES, write_try_in
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import survey
from blockout.teeth.named import teeth_of
from blockout.trying.framework import read_framework
from blockout.trying.try_in import TryIn, try_in
from blockout.trying.try_in_facts import TRY_IN_SCHEMA, try_in_facts
from blockout.units import LengthUnit
from blockout.writing import replacing_folder


def try_framework(
    case: Case,
    framework: Path,
    *,
    unit: LengthUnit | None = None,
    out: Path | None = None,
    progress: Progress = silent,
) -> dict[str, Any]:
    """Read cast and framework, try it in as ``case.try_in`` says, and write the folder where one is
    asked for.

    Returns
    -------
    dict
        The document that ``try_in.json`` holds.

    Raises
    ------
    ReadError, UnitError, DefectError, PathError, InputError, OutputError, KernelError
    """
    watch = Stopwatch()
    if out is None:
        return _tried(case, framework, unit, watch, progress)[1]
    with replacing_folder(out, ours=TRY_IN_FILES, signed_by=TRY_IN) as folder:
        done, facts = _tried(case, framework, unit, watch, progress)
        progress("writing files and pictures")
        write_try_in(folder, done)
        facts["timings_s"] = watch.all_s()
        write_json(folder / TRY_IN, facts)
    return facts


def _tried(
    case: Case, file: Path, unit: LengthUnit | None, watch: Stopwatch, progress: Progress
) -> tuple[TryIn, dict[str, Any]]:
    prepared = cast_of_case(case, progress)
    cast = prepared.cast
    path = insertion_path(cast.frame, arch=cast.arch, settings=case.path)
    progress("reading the framework")
    framework = read_framework(file, cast, unit=unit)
    teeth = teeth_of(cast, case.teeth, progress=progress)
    read, arms = None, []
    wanted = [one for one in case.arm if one.role == "retentive"]
    if wanted and teeth is not None:
        read = survey(cast, path=case.path, settings=case.survey, progress=progress)
        progress("laying arms")
        arms = [lay_arm(read, teeth, one) for one in wanted]
    done = try_in(
        cast,
        path,
        framework,
        settings=case.try_in,
        teeth=teeth,
        missing=case.teeth.missing,
        survey=read,
        arms=arms,
        ledge=case.ledge,
        progress=progress,
    )
    found = try_in_facts(done)
    facts: dict[str, Any] = json_ready(
        {
            "schema": TRY_IN_SCHEMA,
            "cast": cast_facts(cast),
            "path": path_facts(path),
            **found,
            "notes": [*prepared.notes, *found["notes"], *(n for arm in arms for n in arm.notes)],
            "cautions": list(CAUTIONS),
            "versions": versions(),
            "timings_s": watch.all_s(),
        }
    )
    return done, facts
