"""``blockout reposition``: the way back from three tripod marks to the path they record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    numbers_asked,
    settings_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.options import CaseOrScan, Direction, MaxTilt, Tilt
from blockout.cli.recorded import ReadingError, error_line
from blockout.cli.terminal import terminal
from blockout.errors import InputError, PathError

Marks = Annotated[
    list[str],
    typer.Option(
        "--mark",
        metavar="X,Y,Z",
        help="A mark as it was measured, in the file's coordinates, mm. Give it three times.",
        show_default=False,
    ),
]
Heights = Annotated[
    str | None,
    typer.Option(
        "--heights",
        metavar="A,B,C",
        help="Heights at which a gauge on another table meets the marks, in their order, mm.",
        show_default=False,
    ),
]


def reposition(
    case: CaseOrScan,
    mark: Marks,
    heights: Heights = None,
    reading_error: ReadingError = None,
    tilt: Tilt = None,
    direction: Direction = None,
    max_tilt: MaxTilt = None,
    *,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Tell the path from three tripod marks.

    With their heights on another table: how the cast stands there, and how to tilt it so that
    its path stands upright again.
    """
    with terminal(speaking) as here:
        asked_path = PathOptions(tilt=tilt, direction=direction, max_tilt=max_tilt)
        asked = case_asked(
            case,
            cast=cast,
            path=asked_path,
        )
        marks = [_three("--mark", text) for text in mark]
        if len(marks) != 3:
            raise InputError(
                "the path is told from three marks",
                measured=f"{len(marks)} given",
                fix="Give --mark X,Y,Z three times.",
            )
        read_mm = None if heights is None else _three("--heights", heights)
        from blockout.case.recording_settings import RecordingSettings

        settings = settings_asked(
            RecordingSettings,
            {
                **asked.recording.model_dump(exclude_unset=True),
                **given(reading_error_mm=reading_error),
            },
        )
        from blockout import job

        asked = asked.model_copy(update={"recording": settings})
        with here.progress() as tell:
            facts = job.reposition_cast(asked, marks, heights_mm=read_mm, progress=tell)
        here.answer(facts, _reposition_lines(facts))


def _three(option: str, text: str) -> tuple[float, ...]:
    try:
        return numbers_asked(option, text, ("X", "Y", "Z"))
    except PathError as error:
        raise InputError(
            error.what, measured=error.measured, fix=f"Write {option} 1.5,-2.25,30 without spaces."
        ) from error


def _reposition_lines(facts: Mapping[str, Any]) -> Iterator[str]:
    yield words.cast_line(facts["cast"])
    told = facts["marks"]
    yield f"By its marks, p{words.path_line(told['path'])[1:]}"
    yield error_line(told["tilt_error"])
    if told["recorded"] is not None:
        yield f"It is {told['recorded']['off_deg']:.2f} deg off the path that was stated"
    table = facts["table"]
    if table is not None:
        off = table["recorded"]
        yield f"On this table the cast stands {off['off_deg']:.2f} deg off that path"
        yield f"To put it back: {_correction(off)}"
    yield from words.note_lines(facts["notes"])


def _correction(off: Mapping[str, Any]) -> str:
    """How to tilt a cast whose table is off by these angles."""
    ways = []
    for angle_deg, what in (
        (-off["anterior_off_deg"], "the front"),
        (-off["lateral_off_deg"], "the patient's right side"),
    ):
        if abs(angle_deg) >= 0.005:
            ways.append(
                f"{'lower' if angle_deg > 0 else 'raise'} {what} by {abs(angle_deg):.2f} deg"
            )
    return " and ".join(ways) or "it stands as it should"
