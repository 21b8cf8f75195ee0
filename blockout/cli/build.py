"""``blockout build``: parallel blockout and model, from a cast or a case file."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    number_asked,
    outlines_asked,
    path_asked,
    unit_asked,
)
from blockout.cli.options import (
    ArchName,
    AsJson,
    BaseHeight,
    CaseOrScan,
    Debug,
    Direction,
    Floor,
    Front,
    Gauges,
    KeepIn,
    KeepOut,
    MaxTilt,
    NoiseDepth,
    Quiet,
    Taper,
    Tilt,
    Unit,
    Up,
    WarnTilt,
)
from blockout.cli.terminal import terminal


def build(
    case: CaseOrScan,
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Where model, wax and summary go.")
    ],
    tilt: Tilt = None,
    direction: Direction = None,
    warn_tilt: WarnTilt = None,
    max_tilt: MaxTilt = None,
    taper: Taper = None,
    floor: Floor = None,
    keep_in: KeepIn = None,
    keep_out: KeepOut = None,
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
    """Block out a cast and build the model.

    A scan that was not prepared is prepared first.
    """
    with terminal(as_json=as_json, quiet=quiet, debug=debug) as here:
        asked = case_asked(
            case,
            cast=given(
                unit=unit_asked(unit), up=up, front=front, arch=arch, base_height_mm=base_height
            ),
            path=path_asked(tilt=tilt, direction=direction, warn_tilt=warn_tilt, max_tilt=max_tilt),
            survey=given(gauges_mm=gauge, noise_depth_mm=noise_depth),
            parallel=given(
                taper_deg=number_asked("--taper", taper),
                floor_mm=floor,
                keep_in=outlines_asked(keep_in),
                keep_out=outlines_asked(keep_out),
            ),
        )

        from blockout import job

        with here.progress() as tell:
            built = job.build_case(asked, out=out, progress=tell)
        here.answer(built.summary, summary_lines(built.summary, out))


def summary_lines(summary: Mapping[str, Any], out: Path) -> Iterator[str]:
    """A built model in a few lines."""
    from blockout.report.cautions import CAUTION_LINE

    yield words.cast_line(summary["cast"])
    yield words.path_line(summary["path"])
    yield from words.undercut_lines(summary["undercut"])
    for part in summary["parts"]:
        yield words.part_line(part)
    yield words.model_line(summary["model"])
    yield words.mould_line(summary["mould"])
    yield from words.note_lines(summary.get("notes", ()))
    yield from words.warning_lines(summary["warnings"])
    yield from words.time_line(summary["timings_s"])
    yield words.written_line(out)
    yield CAUTION_LINE
