"""``blockout tripod``: three marks that record a path on the cast."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.case import recording_parameters as p
from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    outlines_asked,
    settings_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.options import CaseOrScan, number_option
from blockout.cli.recorded import ReadingError, error_line
from blockout.cli.terminal import terminal

KeepAway = Annotated[str | None, number_option(p.KEEP_AWAY)]
LeastSpan = Annotated[str | None, number_option(p.LEAST_SPAN)]
MarkDiameter = Annotated[str | None, number_option(p.MARK_DIAMETER)]
MarkDepth = Annotated[str | None, number_option(p.MARK_DEPTH)]
LineWidth = Annotated[str | None, number_option(p.LINE_WIDTH)]
LineDepth = Annotated[str | None, number_option(p.LINE_DEPTH)]
LineLength = Annotated[str | None, number_option(p.LINE_LENGTH)]
KeepOff = Annotated[
    Path | None,
    typer.Option(
        "--keep-off",
        metavar="FILE",
        help="No mark inside these outlines of metal to come. A text file of points x,y,z on the "
        "cast, one a line, in the file's coordinates; an empty line ends an outline.",
        show_default=False,
    ),
]


def tripod(
    case: CaseOrScan,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where facts, a picture and, with --engrave or --score, the marked cast go.",
            show_default=False,
        ),
    ] = None,
    reading_error: ReadingError = None,
    keep_away: KeepAway = None,
    least_span: LeastSpan = None,
    keep_off: KeepOff = None,
    engrave: Annotated[
        str | None,
        typer.Option(
            "--engrave",
            metavar="cross|dimple",
            help="Cut the marks into the model, in this shape.",
            show_default=False,
        ),
    ] = None,
    mark_diameter: MarkDiameter = None,
    mark_depth: MarkDepth = None,
    score: Annotated[
        bool,
        typer.Option("--score", help="Cut lines parallel to the path into sides of the base."),
    ] = False,
    line_width: LineWidth = None,
    line_depth: LineDepth = None,
    line_length: LineLength = None,
    *,
    path: PathOptions,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Find three marks that record the path on the cast.

    They lie at one height along the path, clear of the prescription, as widely apart as can be,
    and can all be seen from above.
    """
    with terminal(speaking) as here:
        asked = case_asked(
            case,
            cast=cast,
            path=path,
        )
        from blockout.case.recording_settings import RecordingSettings

        settings = settings_asked(
            RecordingSettings,
            {
                **asked.recording.model_dump(exclude_unset=True),
                **given(
                    reading_error_mm=reading_error,
                    keep_away_mm=keep_away,
                    least_span_mm=least_span,
                    keep_off=outlines_asked(keep_off),
                    engrave=None if engrave is None else True,
                    mark_shape=engrave,
                    mark_diameter_mm=mark_diameter,
                    mark_depth_mm=mark_depth,
                    score=score or None,
                    line_width_mm=line_width,
                    line_depth_mm=line_depth,
                    line_length_mm=line_length,
                ),
            },
        )
        from blockout import job

        asked = asked.model_copy(update={"recording": settings})
        with here.progress() as tell:
            facts = job.record_on_cast(asked, out=out, progress=tell)
        here.answer(facts, _tripod_lines(facts, out))


def _tripod_lines(facts: Mapping[str, Any], out: Path | None) -> Iterator[str]:
    yield words.cast_line(facts["cast"])
    yield words.path_line(facts["path"])
    found = facts["tripod"]
    for mark in found["marks"]:
        yield (
            f"Mark {mark['number']}: {_point(mark['point_mm'])} mm, "
            f"{mark['triangle_height_mm']:.1f} mm from the line through the others"
        )
    where = {True: ", on soft tissue", False: ", some on teeth", None: ""}[found["on_tissue"]]
    yield f"All three lie {found['height_mm']:.2f} mm above the lowest point of the cast{where}"
    yield error_line(found["tilt_error"])
    for cut in facts["carved"]:
        yield (
            f"Cut: {cut['name']}, {words.volume(cut['volume_mm3'])}, "
            f"{cut['deepest_mm']:.2f} mm deep"
        )
    yield from words.note_lines(facts["notes"])
    if out is not None:
        yield words.written_line(out)


def _point(point: Any) -> str:
    return f"({', '.join(f'{value:.3f}' for value in point)})"
