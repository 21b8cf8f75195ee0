"""``blockout prepare``: a scan becomes a closed cast."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    cast_asked,
    given,
    number_asked,
    refuse_overwriting,
    settings_asked,
)
from blockout.cli.groups import CastOptions, Speaking
from blockout.cli.options import (
    BaseThickness,
    BorderTrim,
    HoleLength,
    Land,
    ScanFile,
    StrayShare,
)
from blockout.cli.terminal import terminal


def prepare(
    scan: ScanFile,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="Where the cast goes: a PLY file.")
    ],
    stray_share: StrayShare = None,
    hole_length: HoleLength = None,
    border_trim: BorderTrim = None,
    land: Land = None,
    base_thickness: BaseThickness = None,
    *,
    cast: CastOptions,
    speaking: Speaking,
) -> None:
    """Make a scan a closed cast: repaired, levelled, based.

    The scan's file is not changed; every change to its mesh is listed.
    """
    with terminal(speaking) as here:
        refuse_overwriting(scan, out)
        from blockout.case.settings import PrepareSettings

        said = cast_asked(cast)
        unit = said.pop("unit", None)
        settings = settings_asked(
            PrepareSettings,
            said
            | given(
                stray_share=number_asked("--stray-share", stray_share),
                hole_length_mm=hole_length,
                border_trim_mm=border_trim,
                land_mm=land,
                base_thickness_mm=base_thickness,
            ),
        )

        from blockout import job
        from blockout.report.facts import prepare_facts

        with here.progress() as tell:
            done = job.prepare_file(scan, unit=unit, settings=settings, out=out, progress=tell)
        facts = prepare_facts(
            done.prepared.cast,
            changes=done.prepared.changes,
            notes=done.prepared.notes,
            timings_s=done.timings_s,
        )
        here.answer(facts, _lines(facts, done.out))


def _lines(facts: dict[str, Any], out: Path) -> Iterator[str]:
    yield words.cast_line(facts["cast"])
    yield words.noise_line(facts["cast"])
    yield "Changes:" if facts["changes"] else "Nothing was changed."
    yield from words.change_lines(facts["changes"])
    yield from words.note_lines(facts["notes"])
    yield from words.warning_lines(facts["warnings"])
    yield from words.time_line(facts["timings_s"])
    yield words.written_line(out)
