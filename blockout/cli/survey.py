"""``blockout survey``: survey line, undercut depth, areas and pictures for one path."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    cast_asked,
    given,
    path_asked,
    path_settings,
    settings_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.options import Gauges, NoiseDepth, ScanFile
from blockout.cli.terminal import terminal


def survey(
    scan: ScanFile,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where facts, mesh and pictures go.")
    ],
    gauge: Gauges = None,
    noise_depth: NoiseDepth = None,
    *,
    path: PathOptions,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Survey a cast: survey line, undercut, pictures.

    For one path: survey line, undercut depth at every vertex, areas and volumes by region,
    pictures from above and from four sides.

    A scan that was not prepared is prepared first.
    """
    with terminal(speaking) as here:
        from blockout.case.settings import PrepareSettings, SurveySettings

        towards = path_settings(path_asked(path))
        settings = settings_asked(
            SurveySettings, given(gauges_mm=gauge, noise_depth_mm=noise_depth)
        )
        said = cast_asked(cast)
        unit = said.pop("unit", None)
        prepare = settings_asked(PrepareSettings, said)

        from blockout import job

        with here.progress() as tell:
            done = job.survey_file(
                scan,
                unit=unit,
                prepare=prepare,
                path_of_insertion=towards,
                settings=settings,
                out=out,
                progress=tell,
            )
        here.answer(done.facts, _lines(done.facts, done.out))


def _lines(facts: Mapping[str, Any], out: Path) -> Iterator[str]:
    yield words.cast_line(facts["cast"])
    yield words.path_line(facts["path"])
    yield from words.undercut_lines(facts["undercut"])
    yield f"Survey line: {facts['undercut']['survey_line_mm']:.1f} mm"
    yield from words.note_lines(facts["notes"])
    yield from words.warning_lines(facts["warnings"])
    yield from words.time_line(facts["timings_s"])
    yield words.written_line(out)
