"""``blockout sureness``: what an error of repositioning and a noisy scan leave unsure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any

import typer

from blockout.case import recording_parameters as p
from blockout.cli import words
from blockout.cli.asked import (
    case_asked,
    given,
    number_asked,
    settings_asked,
)
from blockout.cli.groups import CastOptions, PathOptions, Speaking
from blockout.cli.options import CaseOrScan, number_option
from blockout.cli.terminal import terminal
from blockout.errors import InputError


def sureness(
    case: CaseOrScan,
    repositioning_error: Annotated[str | None, number_option(p.REPOSITIONING_ERROR)] = None,
    scan_noise: Annotated[str | None, number_option(p.SCAN_NOISE)] = None,
    samples: Annotated[int | None, number_option(p.SAMPLES)] = None,
    seed: Annotated[int | None, number_option(p.SEED)] = None,
    clearance: Annotated[str | None, number_option(p.CLEARANCE)] = None,
    guide: Annotated[
        list[str] | None,
        typer.Option(
            "--guide",
            metavar="TOOTH:SIDE",
            help="A guiding surface, such as 35:distal. Repeat it for several; the sides that face "
            "a gap when left out.",
            show_default=False,
        ),
    ] = None,
    *,
    path: PathOptions,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Say how sure depths, forces, guiding planes and volume are.

    The cast is put back many times, each time a little off; also told is which other directions
    the guiding surfaces leave open.
    """
    with terminal(speaking) as here:
        guides = [_guide(text) for text in guide or ()]
        asked = case_asked(
            case,
            cast=cast,
            path=path,
        )
        from blockout.case.recording_settings import SurenessSettings

        settings = settings_asked(
            SurenessSettings,
            {
                **asked.sureness.model_dump(exclude_unset=True),
                **given(
                    repositioning_error_deg=number_asked(
                        "--repositioning-error", repositioning_error
                    ),
                    scan_noise_mm=scan_noise,
                    samples=samples,
                    seed=seed,
                    clearance_deg=number_asked("--clearance", clearance),
                ),
            },
        )
        from blockout import job

        asked = asked.model_copy(update={"sureness": settings})
        with here.progress() as tell:
            facts = job.sureness_of(asked, guides=guides, progress=tell)
        here.answer(facts, _lines(facts))


def _guide(text: str) -> tuple[int, Any]:
    from blockout.teeth.aspects import ASPECTS

    number, _, side = text.partition(":")
    words_of = {"labial": "buccal", "palatal": "lingual", "incisal": "occlusal"}
    aspect = words_of.get(side.strip().lower(), side.strip().lower())
    if not number.strip().isdigit() or aspect not in ASPECTS:
        raise InputError(
            f"{text!r} is no guiding surface",
            fix=f"Write a tooth and its side, such as 35:distal; sides are {', '.join(ASPECTS)}.",
        )
    return int(number), aspect


def _lines(facts: Mapping[str, Any]) -> Iterator[str]:
    sure = facts["sureness"]
    yield words.cast_line(facts["cast"])
    yield words.path_line(facts["path"])
    yield (
        f"Put back to within {sure['repositioning_error_deg']:g} deg (95 of 100 placings), noise "
        f"{1000.0 * sure['scan_noise_mm']:.1f} um; {sure['samples']} placings tried"
    )
    yield (
        f"Each range holds {100.0 * sure['coverage_share']:.0f} % of all placings, with "
        f"{100.0 * sure['confidence_share']:.0f} % confidence"
    )
    for arm in sure["arms"]:
        yield _arm_line(arm)
    for plane in sure["guiding_planes"]:
        lean = plane["lean"]
        yield (
            f"Guiding plane {plane['name']}: {lean['low_deg']:.1f} to {lean['high_deg']:.1f} deg "
            f"open to the path (meant {lean['meant_deg']:.1f})"
        )
    volume = sure["undercut_volume"]
    yield (
        f"Undercut: {volume['low_mm3']:,.1f} to {volume['high_mm3']:,.1f} mm3 "
        f"(meant {volume['meant_mm3']:,.1f})"
    )
    if facts["guiding_surfaces"]:
        one_path = facts["one_path"]
        yield f"Guiding planes alone leave {_cone_words(one_path['guiding_planes'])}"
        yield f"With the blockout under them: {_cone_words(one_path['with_blockout'])}"
    yield from words.note_lines(facts["notes"])


def _arm_line(arm: Mapping[str, Any]) -> str:
    depth, force = arm["depth"], arm["force"]
    if force is None:
        return (
            f"{arm['name']}: up to {depth['high_mm']:.3f} mm into undercut "
            f"(meant {depth['meant_mm']:.3f})"
        )
    lost = arm["out_of_undercut_share"]
    return (
        f"{arm['name']}: undercut {depth['low_mm']:.3f} to {depth['high_mm']:.3f} mm (meant "
        f"{depth['meant_mm']:.3f}), force {force['low_n']:.2f} to {force['high_n']:.2f} N (meant "
        f"{force['meant_n']:.2f})"
        + (f", out of undercut in {100.0 * lost:.0f} % of placings" if lost > 0.0 else "")
    )


def _cone_words(cone: Mapping[str, Any]) -> str:
    bounds = ", ".join(bound["name"] for bound in cone["bounded_by"]) or "nothing"
    if cone["kind"] == "one direction":
        return f"one path only, held by {bounds}"
    if cone["kind"] == "none":
        return "no path at all"
    if cone["kind"] == "arc":
        return f"an arc of {cone['widest_deg']:.1f} deg, held by {bounds}"
    return (
        f"a cone {cone['narrowest_deg']:.1f} deg wide at its narrowest and "
        f"{cone['widest_deg']:.1f} at its widest, held by {bounds}"
    )
