"""``blockout prepare``: a scan becomes a closed cast."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import typer

from blockout.cli import words
from blockout.cli.asked import (
    given,
    number_asked,
    refuse_overwriting,
    settings_asked,
    unit_asked,
)
from blockout.cli.options import (
    ArchName,
    AsJson,
    BaseHeight,
    BaseThickness,
    BorderTrim,
    Debug,
    Front,
    HoleLength,
    Land,
    Quiet,
    ScanFile,
    StrayShare,
    Unit,
    Up,
)
from blockout.cli.terminal import terminal


def prepare(
    scan: ScanFile,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="Where the cast goes: a PLY file.")
    ],
    unit: Unit = None,
    up: Up = None,
    front: Front = None,
    arch: ArchName = None,
    stray_share: StrayShare = None,
    hole_length: HoleLength = None,
    border_trim: BorderTrim = None,
    land: Land = None,
    base_thickness: BaseThickness = None,
    base_height: BaseHeight = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Make a scan a closed cast: repaired, levelled, based.

    The scan's file is not changed; every change to its mesh is listed.
    """
    with terminal(as_json=as_json, quiet=quiet, debug=debug) as here:
        refuse_overwriting(scan, out)
        asked_unit = unit_asked(unit)

        from blockout.case.settings import PrepareSettings

        settings = settings_asked(
            PrepareSettings,
            given(
                up=up,
                front=front,
                arch=arch,
                stray_share=number_asked("--stray-share", stray_share),
                hole_length_mm=hole_length,
                border_trim_mm=border_trim,
                land_mm=land,
                base_thickness_mm=base_thickness,
                base_height_mm=base_height,
            ),
        )

        from blockout import job
        from blockout.report.facts import prepare_facts

        with here.progress() as tell:
            done = job.prepare_file(
                scan, unit=asked_unit, settings=settings, out=out, progress=tell
            )
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
