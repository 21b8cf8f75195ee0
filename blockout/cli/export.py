"""``blockout export``: a built model as one file in another format or frame."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any, Final

import typer

from blockout.cli import words
from blockout.cli.options import AsJson, Debug, Quiet
from blockout.cli.terminal import terminal
from blockout.errors import InputError

FORMATS: Final = ("stl", "ply", "3mf", "glb")
FRAMES: Final = ("scan", "cast")


def export(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that blockout build wrote.")
    ],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="Where the model goes.")],
    file_format: Annotated[
        str | None,
        typer.Option(
            "--format",
            metavar="|".join(FORMATS),
            help="3mf keeps cast and wax as separate objects; the ending of --out decides when "
            "left out.",
            show_default=False,
        ),
    ] = None,
    frame: Annotated[
        str,
        typer.Option(
            "--frame",
            metavar="|".join(FRAMES),
            help="Coordinates of the scan, or of the cast with the occlusal plane at z = 0, as "
            "for printing.",
        ),
    ] = "scan",
    as_json: AsJson = False,
    quiet: Quiet = False,
    debug: Debug = False,
) -> None:
    """Write a built model as one STL, PLY, 3MF or GLB file."""
    with terminal(as_json=as_json, quiet=quiet, debug=debug) as here:
        chosen = _one_of("--format", file_format or out.suffix.lower().lstrip("."), FORMATS)
        _one_of("--frame", frame, FRAMES)

        from blockout import job

        with here.progress() as tell:
            tell(f"writing {chosen}")
            done = job.export_model(folder, file_format=chosen, out=out, frame=frame)
        facts: dict[str, Any] = {
            "out": str(done.out),
            "format": chosen,
            "frame": frame,
            "model": {"triangles": done.triangles, "volume_mm3": done.volume_mm3},
        }
        here.answer(facts, _lines(facts, done.out))


def _one_of(option: str, text: str, known: tuple[str, ...]) -> str:
    if text not in known:
        raise InputError(
            f"{text!r} cannot be given to {option}",
            measured=f"known are {', '.join(known)}",
            fix=f"Write {option} {'|'.join(known)}.",
        )
    return text


def _lines(facts: dict[str, Any], out: Path) -> Iterator[str]:
    model = facts["model"]
    yield (
        f"Model: {words.count(model['triangles'], 'triangle')}, "
        f"{words.volume(model['volume_mm3'])}, {facts['format']}, in the {facts['frame']}'s "
        "coordinates, mm"
    )
    yield words.written_line(out)
