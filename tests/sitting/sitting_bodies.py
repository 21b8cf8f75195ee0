"""Small cases on disk for the tests of sittings: a ball on a plate, prepared once."""

from __future__ import annotations

from pathlib import Path

from bodies import ball_on_plate, cast_of

from blockout.cast.record import write_cast

TEXT = """\
# a technician's own file
schema = "blockout-case/1"      # edition
name = "Ball"

[cast]
file = "ball.ply"               # beside this file

[path]                          # how the cast lies
anterior_tilt_deg = 4           # measured twice
lateral_tilt_deg = -2

# what the survey reads
[survey]
gauges_mm = [0.25, "0.020 in"]  # in the old unit
"""


def ball_folder(folder: Path, *, around: int = 32) -> Path:
    """A case file with comments in a folder, beside a prepared cast; the case file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    body, scanned = ball_on_plate(around=around)
    write_cast(folder / "ball.ply", cast_of(body, scanned=scanned))
    file = folder / "ball.toml"
    file.write_text(TEXT, encoding="utf-8")
    return file


def names_in(folder: Path) -> list[str]:
    return sorted(entry.name for entry in folder.iterdir())
