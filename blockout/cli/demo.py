"""``blockout demo``: a case of our own, from scan to model in one go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from blockout.cli.build import summary_lines
from blockout.cli.groups import Speaking
from blockout.cli.terminal import terminal


def demo(
    out: Annotated[Path, typer.Option("--out", metavar="FOLDER", help="Where everything goes.")],
    arch: Annotated[
        str, typer.Option("--arch", metavar="lower|upper", help="Which of the two demo cases.")
    ] = "lower",
    *,
    speaking: Speaking,
) -> None:
    """Make up a scan and take it all the way to a model.

    The scan is of our own making, no patient's.
    """
    with terminal(speaking) as here:
        from blockout import job
        from blockout.errors import InputError

        if arch not in ("lower", "upper"):
            raise InputError(f"{arch!r} is no arch", fix="Write --arch lower or --arch upper.")
        with here.progress() as tell:
            done = job.demo(out, tell, arch="upper" if arch == "upper" else "lower")
        here.answer(done.summary, summary_lines(done.summary, out))
