"""What all jobs share: a watch, and documents."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

from blockout.errors import InputError, OutputError
from blockout.writing import stays_in_its_folder

SUMMARY: Final = "summary.json"


class Stopwatch:
    """Seconds of each stage of a job, and of all."""

    def __init__(self) -> None:
        self.timings_s: dict[str, float] = {}
        self._begun = time.perf_counter()

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        begun = time.perf_counter()
        yield
        self.timings_s[name] = round(time.perf_counter() - begun, 4)

    def all_s(self) -> dict[str, float]:
        return {**self.timings_s, "total": round(time.perf_counter() - self._begun, 4)}


def write_json(path: Path, document: Mapping[str, Any]) -> None:
    """One JSON document, for people to read too."""
    path.write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def summary_of(folder: Path) -> dict[str, Any]:
    """What ``summary.json`` of a built folder holds.

    Raises
    ------
    InputError
        The folder holds no build.
    """
    try:
        summary = json.loads((folder / SUMMARY).read_text(encoding="utf-8"))
        _ = summary["parts"], summary["path"], summary["cast"]["source_sha256"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise InputError(
            "this is not a folder that a build wrote",
            measured=f"{SUMMARY}: {type(error).__name__}",
            where=str(folder),
            fix="Name the folder given to `blockout build --out`.",
        ) from error
    _refuse_paths_for_names(summary["parts"], folder)
    return dict(summary)


def _refuse_paths_for_names(parts: Any, folder: Path) -> None:
    """Parts of a build name their files; a summary from elsewhere might name any file.

    Raises
    ------
    InputError
    """
    for part in parts:
        if not stays_in_its_folder(part.get("name") if isinstance(part, Mapping) else None):
            raise InputError(
                "a part of the build is called by what is not the name of a part",
                measured=repr(part)[:80],
                where=str(folder / SUMMARY),
                fix="Run `blockout build` again.",
            )


def not_the_input(given: Path, out: Path) -> None:
    """Refuse to write over what was given.

    Raises
    ------
    OutputError
    """
    if given.exists() and out.exists() and given.resolve() == out.resolve():
        raise OutputError(
            "the output would take the place of the input",
            where=str(out),
            fix="Name another file with --out; an input file is never changed.",
        )
