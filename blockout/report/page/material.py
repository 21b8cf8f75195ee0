"""What a report is made from: plain values, whether they were read from files or just built."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

import numpy as np

from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.report.facts import SUMMARY_SCHEMA, missing_keys
from blockout.report.page.section import CutBody, terminal_sections
from blockout.report.page.section_drawing import Drawing, draw_section
from blockout.report.page.traced import Traced, known, numbers
from blockout.surveying.path import InsertionPath

Kind = Literal["choice", "tripod", "try-in", "comparison", "sureness"]

SUMMARY_NAME: Final = "summary.json"
_FIX: Final = "Run `blockout build` again."


@dataclass(frozen=True)
class FileMark:
    """A file of the build, by what tells it from any other."""

    name: str
    size_bytes: int
    sha256: str


@dataclass(frozen=True)
class Companion:
    """A document about the same cast, with its pictures.

    Parameters
    ----------
    kind : str
    name : str
        What it is called in the report: its file.
    facts : mapping
        The document.
    pictures : tuple of (str, bytes)
        Name and PNG file of each.
    """

    kind: Kind
    name: str
    facts: Mapping[str, Any]
    pictures: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True)
class Material:
    """All that a report shows.

    Parameters
    ----------
    summary : mapping
        What ``summary.json`` holds.
    pictures : mapping of str to bytes
        PNG files by name: ``occlusal``, ``right``, ``left``, ``front``, ``back``, ``inner-right``,
        ``inner-left``. What is absent is said to be.
    sections : tuple of Drawing
        One for each arm of the summary, in its order; none for a build without arms.
    files : tuple of FileMark
    companions : tuple of Companion
    """

    summary: Mapping[str, Any]
    pictures: Mapping[str, bytes] = field(default_factory=dict)
    sections: tuple[Drawing, ...] = ()
    files: tuple[FileMark, ...] = ()
    companions: tuple[Companion, ...] = ()


def checked_summary(summary: Any) -> Traced:
    """The document of a build, in the form this version writes.

    Raises
    ------
    InputError
        It is no document of a build, another version's, or incomplete.
    """
    if not isinstance(summary, Mapping) or "schema" not in summary:
        raise InputError("this is not the summary of a build", measured="it names no schema")
    if summary["schema"] != SUMMARY_SCHEMA:
        raise InputError(
            "the summary of the build is of another version",
            measured=f"schema {summary['schema']!r}, this version reads {SUMMARY_SCHEMA!r}",
            fix=_FIX,
        )
    missing = missing_keys(summary)
    if missing:
        raise InputError(
            "the summary of the build is incomplete",
            measured=f"it lacks {', '.join(missing)}",
            fix=_FIX,
        )
    return Traced(summary, SUMMARY_NAME)


def arm_sections(
    summary: Mapping[str, Any], cast: Cast, waxes: Sequence[CutBody], path: InsertionPath
) -> tuple[Drawing, ...]:
    """A drawing through the terminal of each arm that a summary tells of.

    Raises
    ------
    InputError
        An arm without a terminal.
    """
    arms = Traced(summary, SUMMARY_NAME).arms
    terminals = [np.array(numbers(arm.terminal_at_mm, count=3)) for arm in arms] if arms else []
    return tuple(
        draw_section(section) for section in terminal_sections(cast, waxes, path, terminals)
    )


def of_one_cast(summary: Traced, companion: Companion) -> None:
    """Refuse a document about another cast.

    Raises
    ------
    InputError
    """
    cast = Traced(companion.facts, companion.name).cast
    told = cast.source_sha256 if known(cast.source_sha256) else cast.sha256
    if told != summary.cast.source_sha256:
        raise InputError(
            f"{companion.name} is about another cast",
            measured="the checksum of its scan is "
            + (f"{_shown(told)}, that of the build {_shown(summary.cast.source_sha256)}"),
            fix="Leave it out, or name the folder made from the same scan.",
        )


def _shown(checksum: Traced) -> str:
    return str(checksum.__html__())[:12] if known(checksum) else "absent"
