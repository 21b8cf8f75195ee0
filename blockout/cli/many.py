"""Many cases at once: their options, and their lines for people."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any

import typer

Jobs = Annotated[
    int | None,
    typer.Option(
        "--jobs", metavar="N", min=1, show_default=False,
        help="Build many case files, N at once, each in a process and a folder of its own.",
    ),
]  # fmt: skip
Scheduler = Annotated[
    str | None,
    typer.Option(
        "--scheduler", metavar="ADDRESS", show_default=False,
        help="Build many case files on the workers of this Dask scheduler; needs the extra dask.",
    ),
]  # fmt: skip


def many_lines(facts: Mapping[str, Any], out: Path) -> Iterator[str]:
    """The table of outcomes, then how many of each."""
    rows = facts["cases"]
    width = max(len(row["folder"]) for row in rows)
    for row in rows:
        volume_mm3 = row["model_volume_mm3"]
        made = row["message"] if volume_mm3 is None else (
            f"{volume_mm3:,.1f} mm3, warnings {row['warnings']}"
        )  # fmt: skip
        yield f"{row['folder']:{width}}  {row['outcome']:7}  {row['seconds']:7.1f} s  {made}"
    counts = ", ".join(f"{number} {kind}" for kind, number in facts["counts"].items() if number)
    yield f"{counts} of {len(rows)}; table: {out / 'outcomes.csv'}"
