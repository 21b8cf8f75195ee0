"""``blockout report``: one HTML file of all that a build came to."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blockout.cli import words
from blockout.cli.groups import Speaking
from blockout.cli.terminal import terminal


def report(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that blockout build wrote.")
    ],
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="Where the HTML file goes.")
    ] = Path("report.html"),
    beside: Annotated[
        list[Path] | None,
        typer.Option(
            "--with",
            metavar="FOLDER|FILE",
            help="Show this too: a folder that choose-path, tripod, try-in or compare wrote for "
            "the same cast, or a JSON document of theirs or of sureness. May be given again.",
            show_default=False,
        ),
    ] = None,
    *,
    speaking: Speaking,
) -> None:
    """Make one HTML file of a build, to read, print and sign.

    It holds path, prescription, wax, pictures, a section through every arm, warnings, cautions and
    checksums, and needs no other file and no network. The browser prints it on A4, or as PDF.
    """
    with terminal(speaking) as here:
        from blockout import job

        with here.progress() as tell:
            done = job.report_folder(folder, out=out, companions=beside or (), progress=tell)
        facts = {
            "schema": "blockout-report/1",
            "out": str(done.out),
            "size_bytes": done.size_bytes,
            "pictures": done.pictures,
            "sections": done.sections,
            "companions": done.companions,
            "timings_s": done.timings_s,
        }
        lines = [
            f"Report: {words.count(done.pictures, 'picture')}, "
            f"{words.count(done.sections, 'arm')} in section, {done.size_bytes / 1e6:.1f} MB",
            *words.time_line(done.timings_s),
            words.written_line(done.out),
        ]
        here.answer(facts, lines)
