"""``blockout try-in``: does a rigid framework go to place along the path?"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.case import trying_parameters as t
from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    number_asked,
    numbers_asked,
    settings_asked,
    unit_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.options import CaseOrScan, number_option
from blockout.cli.terminal import terminal
from blockout.errors import InputError, PathError

Facts = Mapping[str, Any]

_SHOWN: Final = 10
_ALSO: Final = 6


Allowance = Annotated[str | None, number_option(t.ALLOWANCE)]
TiltWithin = Annotated[str | None, number_option(t.TILT_WITHIN)]
Turn = Annotated[str | None, number_option(t.TURN)]
GapWithin = Annotated[str | None, number_option(t.GAP_WITHIN)]


def try_in(
    case: CaseOrScan,
    framework: Annotated[
        Path,
        typer.Argument(
            metavar="FRAMEWORK",
            help="The framework as a closed solid in the cast's coordinates: STL, PLY, OBJ, OFF, "
            "3MF, GLB or glTF. Never changed.",
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(
            "--out",
            metavar="FOLDER",
            help="Where facts, the framework coloured by interference, each interference as a "
            "solid, and pictures go; nothing is written when left out.",
            show_default=False,
        ),
    ] = None,
    allowance: Allowance = None,
    rest: Annotated[
        list[str] | None,
        typer.Option(
            "--rest",
            metavar="X,Y,Z",
            help="A rest's seat on the cast, whose gap is read, in the file's coordinates, mm. "
            "Repeat it for several; left out, gaps are read on every occlusal surface of the "
            "teeth that the case names.",
            show_default=False,
        ),
    ] = None,
    tilt_within: TiltWithin = None,
    turn: Turn = None,
    gap_within: GapWithin = None,
    *,
    path: PathOptions,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Try a rigid framework in along the path.

    Told are what stops it, and how far it may be turned.

    It goes to place when no metal lies deeper than the allowance in the blocked-out cast, but for
    the terminals of the case's retentive arms. --unit is that of both files. The exit code is 1
    when it does not go to place.
    """
    with terminal(speaking) as here:
        asked = case_asked(
            case,
            cast=cast,
            path=path,
        )
        from blockout.case.trying_settings import TryInSettings

        settings = settings_asked(
            TryInSettings,
            {
                **asked.try_in.model_dump(exclude_unset=True),
                **given(
                    allowance_mm=allowance,
                    tilt_within_deg=number_asked("--tilt-within", tilt_within),
                    turn_deg=number_asked("--turn", turn),
                    gap_within_mm=gap_within,
                    rest=[{"point_mm": _point_asked(text)} for text in rest or []],
                ),
            },
        )
        from blockout import job

        asked = asked.model_copy(update={"try_in": settings})
        with here.progress() as tell:
            facts = job.try_framework(
                asked, framework, unit=unit_asked(cast.unit), out=out, progress=tell
            )
        here.answer(facts, try_in_lines(facts, out))
        if not facts["goes_to_place"]:
            raise typer.Exit(1)


def _point_asked(text: str) -> tuple[float, ...]:
    try:
        return numbers_asked("--rest", text, ("X", "Y", "Z"))
    except PathError as error:
        raise InputError(
            error.what, measured=error.measured, fix="Write --rest 21.5,-4.0,12.1 without spaces."
        ) from error


# --- lines for people ----------------------------------------------------------------------------
def try_in_lines(facts: Facts, out: Path | None) -> Iterator[str]:
    """The verdict first, then what stops it, what holds it, and how strictly the path binds."""
    from blockout.report.cautions import CAUTION_LINE

    yield from _verdict_lines(facts)
    for one in facts["terminals"]:
        yield _terminal_line(one)
    for gap in facts["gaps"]:
        yield _gap_line(gap)
    yield from _path_lines(facts)
    yield from _turn_lines(facts)
    yield words.cast_line(facts["cast"])
    yield words.path_line(facts["path"])
    yield from words.note_lines(facts["notes"])
    yield from words.time_line(facts["timings_s"])
    if out is not None:
        yield words.written_line(out)
    yield "Software can disprove a fit, not prove it."
    yield CAUTION_LINE


def _verdict_lines(facts: Facts) -> Iterator[str]:
    allowed = facts["allowance_mm"]
    found = facts["interferences"]
    if facts["goes_to_place"]:
        yield (
            f"GOES TO PLACE: no metal lies deeper than {allowed:g} mm in the blocked-out cast, "
            "which is taken as touching"
        )
    else:
        first = found[0]
        yield (
            f"DOES NOT GO TO PLACE: first touches {first['first_touch_mm']:.2f} mm above seat at "
            f"{first['where']}, {_too_much(first)}; {words.count(len(found), 'interference')} "
            f"deeper than {allowed:g} mm, which is taken as touching"
        )
    for one in found[:_SHOWN]:
        x, y, z = one["at_mm"]
        gauge = f" (a gauge reads {one['depth_mm']:.2f} mm)" if one["way"] == "aside" else ""
        yield (
            f"  {one['number']}. {one['where']}: {_too_much(one)}{gauge}, "
            f"{words.volume(one['volume_mm3'])}, first touches {one['first_touch_mm']:.2f} mm "
            f"above seat, at ({x:.1f}, {y:.1f}, {z:.1f})"
        )
        also = [
            f"{place['where']} {place['into_mm']:.2f} mm"
            for place in one["reaches"][1:_ALSO]
            if place["into_mm"] > allowed
        ]
        if also:
            yield f"     it reaches {', '.join(also)}"
    if len(found) > _SHOWN:
        yield f"  and {words.count(len(found) - _SHOWN, 'more interference')}"
    touching = facts["touching"]
    if touching["pieces"]:
        yield (
            f"  Touches within that allowance in {words.count(touching['pieces'], 'place')}, "
            f"{words.volume(touching['volume_mm3'])}"
        )


def _too_much(one: Facts) -> str:
    """How much metal is too much, and which way."""
    return f"{one['into_mm']:.2f} mm too {'wide' if one['way'] == 'aside' else 'low'}"


def _terminal_line(one: Facts) -> str:
    asked = f"asked {one['asked_mm']:.2f} mm"
    if not one["engages"]:
        return f"Terminal {one['name']}: does not engage ({asked})"
    x, y, z = one["at_mm"]
    return (
        f"Terminal {one['name']}: engages {one['depth_mm']:.2f} mm of undercut ({asked}) at "
        f"({x:.1f}, {y:.1f}, {z:.1f})"
    )


def _gap_line(gap: Facts) -> str:
    kind = f"{gap['kind'][:1].upper()}{gap['kind'][1:]} {gap['name']}"
    if gap["least_mm"] is None:
        return f"{kind}: no metal near"
    return (
        f"{kind}: gap {gap['least_mm']:.2f} mm at the least, {gap['median_mm']:.2f} mm in the "
        f"middle, over {gap['area_mm2']:.1f} mm2"
    )


def _path_lines(facts: Facts) -> Iterator[str]:
    found = facts["other_paths"]
    if facts["goes_to_place"]:
        least, most = found["narrowest"], found["widest"]
        yield (
            f"Other paths: turned away by more than {_angle(least)} it fails ({least['leans']}"
            f"{_stopped(least)}); the widest way is {_angle(most)} ({most['leans']}). Across, "
            f"{found['across_least_deg']:.2f} to {found['across_most_deg']:.2f} deg"
        )
        return
    other = found["elsewhere"]
    if other is None:
        yield f"No other path within {found['within_deg']:g} deg was found along which it would"
    else:
        yield (
            f"It would go to place along a path {other['angle_deg']:g} deg away: anterior tilt "
            f"{other['anterior_tilt_deg']:.1f}, lateral tilt {other['lateral_tilt_deg']:.1f} deg"
        )


def _turn_lines(facts: Facts) -> Iterator[str]:
    if not facts["goes_to_place"]:
        return
    found = facts["turned_framework"]
    least, most = found["narrowest"], found["widest"]
    yield (
        f"Turned on the cast by {found['turn_deg']:g} deg it is stopped in "
        f"{found['stopped_ways']} of {found['ways']} ways; it takes {_angle(least)} "
        f"({least['leans']}{_stopped(least)}) to {_angle(most)} ({most['leans']})"
    )


def _angle(limit: Facts) -> str:
    return f"{'over ' if limit['open'] else ''}{limit['angle_deg']:.2f} deg"


def _stopped(limit: Facts) -> str:
    return f", stopped at {limit['stopped_at']}" if limit["stopped_at"] else ""
