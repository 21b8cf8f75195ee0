"""What the commands of recording share: options, and the error of a reading."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from blockout.case import recording_parameters as p
from blockout.cli.options import number_option

ReadingError = Annotated[str | None, number_option(p.READING_ERROR)]


def error_line(error: Mapping[str, Any]) -> str:
    """What reading marks wrong does, in one line."""
    return (
        f"Read wrong by {error['reading_error_mm']:g} mm, one mark tilts the cast by up to "
        f"{error['one_mark_deg']:.2f} deg, all three by up to {error['all_marks_deg']:.2f} deg "
        f"(usually {error['usual_deg']:.2f})"
    )
