"""Unsaved changes kept beside a case file, so that closing browser or server loses nothing.

One file a sitting: ``NAME.SITTING.unsaved`` beside ``NAME``, written whole after every change and
taken away once all is saved. It holds what the case states, and which case file it goes with.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from blockout.case.case import Case
from blockout.errors import OutputError
from blockout.writing import replacing_file

UNSAVED_SCHEMA: Final = "blockout-unsaved/1"
SUFFIX: Final = ".unsaved"
_LARGEST_BYTES: Final = 16_000_000


@dataclass(frozen=True, eq=False)
class Offered:
    """Unsaved changes of a sitting that ended.

    Parameters
    ----------
    case : Case
    at : datetime
        When they were last kept.
    sitting : str
        The sitting they are of.
    case_sha256 : str
        Of the case file that they were changes to.
    words : str
        The last change's words; empty where unknown.
    file : Path
    """

    case: Case
    at: datetime
    sitting: str
    case_sha256: str
    words: str
    file: Path


def unsaved_file(case_file: Path, sitting: str) -> Path:
    """Where the unsaved changes of one sitting are kept."""
    return case_file.with_name(f"{case_file.name}.{sitting}{SUFFIX}")


def keep_unsaved(
    case_file: Path, case: Case, *, sitting: str, case_sha256: str, words: str = ""
) -> Path:
    """Keep unsaved changes; those kept before by the same sitting are replaced.

    Raises
    ------
    OutputError
        The folder cannot be written.
    """
    file = unsaved_file(case_file, sitting)
    kept = {
        "schema": UNSAVED_SCHEMA,
        "sitting": sitting,
        "case_file": case_file.name,
        "case_sha256": case_sha256,
        "at": datetime.now(UTC).isoformat(),
        "words": words,
        "case": case.model_dump(mode="json", by_alias=True, exclude_unset=True),
    }
    with replacing_file(file) as new:
        new.write_text(json.dumps(kept, ensure_ascii=False) + "\n", encoding="utf-8")
    return file


def drop_unsaved(file: Path) -> None:
    """Take kept changes away; nothing happens where there are none.

    Raises
    ------
    OutputError
    """
    try:
        file.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(
            f"{file.name} cannot be taken away",
            measured=error.strerror or str(error),
            where=str(file),
            fix="Delete it by hand.",
        ) from error


def unsaved_beside(case_file: Path) -> tuple[Offered, ...]:
    """All unsaved changes kept beside a case file, the latest first. A file that is no such
    thing is left alone.
    """
    found = []
    start = f"{case_file.name}."
    try:
        beside = [
            file
            for file in case_file.parent.iterdir()
            if file.name.startswith(start) and file.suffix == SUFFIX and file.is_file()
        ]
    except OSError:
        return ()
    for file in beside:
        offered = _read(file)
        if offered is not None and unsaved_file(case_file, offered.sitting).name == file.name:
            found.append(offered)
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))


def _read(file: Path) -> Offered | None:
    try:
        if file.stat().st_size > _LARGEST_BYTES:
            return None
        kept: Any = json.loads(file.read_text(encoding="utf-8"))
        if kept["schema"] != UNSAVED_SCHEMA:
            return None
        return Offered(
            case=Case.model_validate(kept["case"]),
            at=datetime.fromisoformat(kept["at"]),
            sitting=str(kept["sitting"]),
            case_sha256=str(kept["case_sha256"]),
            words=str(kept["words"]),
            file=file,
        )
    except (OSError, ValueError, KeyError, TypeError, RecursionError, ValidationError):
        return None
