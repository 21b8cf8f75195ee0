"""``blockout survey``: survey line, undercut depth, areas and pictures for one path."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    given,
    path_asked,
    path_settings,
    settings_asked,
    unit_asked,
)
from blockout.cli.options import (
    ArchName,
    AsJson,
    BaseHeight,
    Debug,
    Direction,
    Front,
    Gauges,
    MaxTilt,
    NoiseDepth,
    Quiet,
    ScanFile,
    Tilt,
    Unit,
    Up,
    WarnTilt,
)
from blockout.cli.terminal import terminal


def survey(
    cast: ScanFile,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where facts, mesh and pictures go.")
    ],
    tilt: Tilt = None,
    direction: Direction = None,
    warn_tilt: WarnTilt = None,
    max_tilt: MaxTilt = None,
    gauge: Gauges = None,
    noise_depth: NoiseDepth = None,
    unit: Unit = None,
    up: Up = None,
    front: Front = None,
    arch: ArchName = None,
    base_height: BaseHeight = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Survey a cast: survey line, undercut, pictures.

    For one path: survey line, undercut depth at every vertex, areas and volumes by region,
    pictures from above and from four sides.

    A scan that was not prepared is prepared first.
    """
    with terminal(as_json=as_json, quiet=quiet, debug=debug) as here:
        asked_unit = unit_asked(unit)

        from blockout.case.settings import PrepareSettings, SurveySettings

        path = path_settings(
            path_asked(tilt=tilt, direction=direction, warn_tilt=warn_tilt, max_tilt=max_tilt)
        )
        settings = settings_asked(
            SurveySettings, given(gauges_mm=gauge, noise_depth_mm=noise_depth)
        )
        prepare = settings_asked(
            PrepareSettings, given(up=up, front=front, arch=arch, base_height_mm=base_height)
        )

        from blockout import job

        with here.progress() as tell:
            done = job.survey_file(
                cast,
                unit=asked_unit,
                prepare=prepare,
                path_of_insertion=path,
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
