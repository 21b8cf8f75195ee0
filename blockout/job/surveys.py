"""From a cast to its survey."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from blockout.case.settings import PathSettings, PrepareSettings, SurveySettings
from blockout.cast.prepare import Prepared
from blockout.check.warnings import survey_warnings
from blockout.job.casts import load_cast
from blockout.job.desk import Stopwatch, write_json
from blockout.kernel.files import write_ply
from blockout.progress import Progress, silent
from blockout.report.facts import json_ready, survey_facts
from blockout.report.pictures import survey_pictures, write_picture
from blockout.surveying.lines import Polyline
from blockout.surveying.survey import Survey, survey
from blockout.units import LengthUnit
from blockout.writing import replacing_folder

SURVEY: Final = "survey.json"
SURVEY_FILES: Final = (SURVEY, "depth.ply", "lines.json", "*.png")
"""All that a survey folder holds."""


@dataclass(frozen=True, eq=False)
class SurveyedFile:
    """A survey, its facts as ``survey.json`` holds them, and its folder."""

    survey: Survey
    prepared: Prepared
    facts: dict[str, Any]
    out: Path


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
            write_json(folder / "lines.json", _lines(read))
        facts = survey_facts(
            read,
            changes=prepared.changes,
            notes=prepared.notes,
            warnings=survey_warnings(read, path=insertion),
            timings_s=watch.all_s(),
        )
        write_json(folder / SURVEY, facts)
    return SurveyedFile(read, prepared, facts, out)


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
