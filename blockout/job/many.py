"""Many cases: each in a process of its own, here or on the machines of a scheduler.

What a folder of many cases holds::

    outcomes.csv  outcomes.json   what became of each case in the last run
    outcomes.ledger.json          which inputs each folder was built from, for the next run
    NAME/                         the build of the case file NAME.toml
"""

from __future__ import annotations

import csv
import hashlib
import json
import re
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import asdict, dataclass, fields
from importlib import import_module
from pathlib import Path
from typing import Any, Final, Literal

from blockout import __version__
from blockout.case.case import read_case
from blockout.errors import BlockoutError, CheckError, InputError
from blockout.job.builds import build_case
from blockout.job.desk import SUMMARY, summary_of, write_json
from blockout.job.own_process import Stopped, in_own_process
from blockout.progress import Progress, silent
from blockout.writing import LEFT_BY_A_KILL, clear_unfinished, replacing_file

OUTCOMES_CSV: Final = "outcomes.csv"
OUTCOMES_JSON: Final = "outcomes.json"
LEDGER: Final = "outcomes.ledger.json"
OUTCOMES_SCHEMA: Final = "blockout-outcomes/1"

_NAME_LONGEST: Final = 80
_DIGEST_SHOWN: Final = 8
_ANSWER_WITHIN_S: Final = 10.0

Outcome = Literal["built", "failed", "refused", "skipped"]
BuildFile = Callable[[Path, Path], object]
"""Builds a case file (first) into a folder (second), and leaves ``summary.json`` there."""

_Run = Callable[[BuildFile, Path, Path], object]


@dataclass(frozen=True)
class CaseRow:
    """What became of one case.

    Parameters
    ----------
    case : str
        The case file, as it was named.
    folder : str
        Its folder's name under the folder of all.
    outcome : str
        ``built``; ``failed`` (a result failed its own check, or the process crashed or was
        killed); ``refused`` (what was given cannot be used); ``skipped`` (done by an earlier run
        from the same inputs).
    seconds : float
        Spent on it in this run.
    model_volume_mm3, warnings
        Of the build, made now or before; None where there is none.
    message : str
        Why it failed or was refused.
    """

    case: str
    folder: str
    outcome: Outcome
    seconds: float
    model_volume_mm3: float | None = None
    warnings: int | None = None
    message: str = ""


@dataclass(frozen=True)
class ManyBuilt:
    """What became of all cases, in the order they were named."""

    rows: tuple[CaseRow, ...]

    @property
    def counts(self) -> dict[str, int]:
        """How many of each outcome."""
        found = Counter(row.outcome for row in self.rows)
        kinds: tuple[Outcome, ...] = ("built", "skipped", "refused", "failed")
        return {kind: found[kind] for kind in kinds}

    @property
    def exit_code(self) -> int:
        """0 when all were built or skipped; 1 when any failed, even if others were refused; else 2.

        A failure wins because a refusal is mended by the user, a failure perhaps not.
        """
        return 1 if self.counts["failed"] else 2 if self.counts["refused"] else 0

    def facts(self) -> dict[str, Any]:
        """What ``outcomes.json`` holds."""
        return {
            "schema": OUTCOMES_SCHEMA,
            "version": __version__,
            "counts": self.counts,
            "cases": [asdict(row) for row in self.rows],
        }


def build_from_file(case_file: Path, out: Path) -> None:
    """Build a case file into a folder; its scan is seen from the case file's folder.

    Raises
    ------
    CaseError, ReadError, UnitError, DefectError, PathError, InputError, OutputError, CheckError
    """
    case = read_case(case_file)
    scan = str(case.cast_file(case_file))
    # so that fields left out stay left out: a prepared cast refuses those that are given
    cast = case.cast.model_copy(update={"file": scan})
    build_case(case.model_copy(update={"cast": cast}), out=out)


def build_many(
    case_files: Sequence[Path],
    *,
    out: Path,
    jobs: int | None = None,
    scheduler: str | None = None,
    build: BuildFile = build_from_file,
    progress: Progress = silent,
) -> ManyBuilt:
    """Build each case into its folder under ``out``, and write the table of outcomes.

    Each case has a fresh process, which takes its memory with it: what is in use at once is that
    of ``jobs`` cases. A case that is broken, crashes or is killed is one row of the table. A case
    is skipped when its folder was built from the same case file, scan and version of this package,
    to the byte, and its summary is the one written then. Only one run at a time may work in
    ``out``.

    Parameters
    ----------
    case_files : sequence of Path
        A file named twice is built once.
    out : Path
        With a scheduler, it and the cases must be seen under the same paths by all machines.
    jobs : int, optional
        How many cases are in hand at once. Left out: one here, or as many as the scheduler's
        workers have threads.
    scheduler : str, optional
        Address of a Dask scheduler, such as ``tcp://10.0.0.5:8786``; needs the extra ``dask``.
    build : function of (case file, folder)
        Of a module that the process can import.
    progress
        Told as each case ends.

    Raises
    ------
    InputError
        No cases, a number of jobs under one, no scheduler.
    OutputError
        The table or the ledger cannot be written.
    KeyboardInterrupt
        After the processes were ended and what they left unfinished was cleared away. Cases that
        a scheduler's workers have begun are ended by these workers in their own time.
    """
    out = Path(out)
    named: dict[Path, Path] = {}
    for file in case_files:
        named.setdefault(Path(file).absolute(), Path(file))
    if not named:
        raise InputError("there are no cases to build", fix="Name one or more case files.")
    if jobs is not None and jobs < 1:
        raise InputError(
            "no case can be built with no jobs",
            measured=f"{jobs} jobs, at least 1",
            fix="Give --jobs 1 or more.",
        )
    folders = folder_names(list(named))
    ledger = _Ledger(out)
    rows: dict[Path, CaseRow] = {}
    stopped = threading.Event()
    with _runner(scheduler, stopped) as (run, at_once):
        pool = ThreadPoolExecutor(jobs or at_once, thread_name_prefix="case")
        try:
            turns = {
                pool.submit(_turn, file, shown, out / folders[file], ledger, run, build): file
                for file, shown in named.items()
            }
            for turn in as_completed(turns):
                row = rows[turns[turn]] = turn.result()
                progress(f"{len(rows)} of {len(named)}: {row.case} {row.outcome}")
        finally:
            # all have ended but when this is left early: by the keyboard, or a ledger that
            # cannot be written
            stopped.set()
            pool.shutdown(wait=True, cancel_futures=True)
    many = ManyBuilt(tuple(rows[file] for file in named))
    _write_table(out, many)
    return many


def folder_names(case_files: Sequence[Path]) -> dict[Path, str]:
    """A folder name for each case file: its own name, with a mark of its path where that would not
    be one folder for one case.

    >>> list(folder_names([Path("/a/lower.toml"), Path("/a/upper.toml")]).values())
    ['lower', 'upper']
    """
    taken = Counter(file.stem.casefold() for file in case_files)
    names = {}
    for file in case_files:
        name = file.stem
        is_ours = name.casefold() in (OUTCOMES_CSV, OUTCOMES_JSON, LEDGER)
        is_unfinished = re.search(LEFT_BY_A_KILL, name) is not None
        if taken[name.casefold()] > 1 or is_ours or is_unfinished or len(name) > _NAME_LONGEST:
            mark = hashlib.sha256(file.as_posix().encode("utf-8", "surrogateescape")).hexdigest()
            kept = re.sub(LEFT_BY_A_KILL, "", name)[:_NAME_LONGEST]
            name = f"{kept}-{mark[:_DIGEST_SHOWN]}"
        names[file] = name
    return names


def inputs_sha256(case_file: Path) -> str:
    """A checksum over the version of this package and the bytes of case file and scan.

    Raises
    ------
    CaseError, InputError
        One of them cannot be read.
    """
    if case_file.suffix.lower() != ".toml":
        raise InputError(
            "this is not a case file",
            where=str(case_file),
            fix="Name files ending in .toml; a scan is named inside them, as file in [cast].",
        )
    whole = hashlib.sha256(__version__.encode())
    for file in (case_file, read_case(case_file).cast_file(case_file)):
        try:
            with file.open("rb") as opened:
                # a digest each, so that no byte can change from one file to the other unnoticed
                whole.update(hashlib.file_digest(opened, "sha256").digest())
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise InputError(
                "a file of this case cannot be read",
                measured=reason[:1].lower() + reason[1:],
                where=str(file),
                fix="Mend file in [cast] of the case file.",
            ) from error
    return whole.hexdigest()


class _Ledger:
    """Which inputs each folder was built from; whole on the disk after every case."""

    def __init__(self, out: Path) -> None:
        self._file = out / LEDGER
        self._lock = threading.Lock()
        self._kept: dict[str, dict[str, str]] = {}
        try:
            cases = json.loads(self._file.read_text("utf-8"))["cases"]
            self._kept = {str(folder): dict(told) for folder, told in cases.items()}
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            # none, or none that can be read: then nothing counts as done
            self._kept = {}
        self._write()

    def is_done(self, folder: Path, inputs: str) -> bool:
        told = self._kept.get(folder.name, {})
        if told.get("inputs_sha256") != inputs:
            return False
        try:
            return told.get("summary_sha256") == _summary_sha256(folder)
        except OSError:
            return False

    def note(self, folder: Path, inputs: str) -> None:
        told = {"inputs_sha256": inputs, "summary_sha256": _summary_sha256(folder)}
        with self._lock:
            self._kept[folder.name] = told
            self._write()

    def _write(self) -> None:
        with replacing_file(self._file) as unfinished:
            write_json(unfinished, {"schema": "blockout-ledger/1", "cases": self._kept})


def _summary_sha256(folder: Path) -> str:
    return hashlib.sha256((folder / SUMMARY).read_bytes()).hexdigest()


def _turn(
    case_file: Path, shown: Path, folder: Path, ledger: _Ledger, run: _Run, build: BuildFile
) -> CaseRow:
    """One case, from its checksum to its row."""
    begun = time.perf_counter()

    def row(outcome: Outcome, message: str = "") -> CaseRow:
        has_build = outcome in ("built", "skipped")
        facts = _build_facts(folder) if has_build else {}
        seconds = round(time.perf_counter() - begun, 3)
        return CaseRow(str(shown), folder.name, outcome, seconds, message=message, **facts)

    try:
        inputs = inputs_sha256(case_file)
        if ledger.is_done(folder, inputs):
            return row("skipped")
        clear_unfinished(folder)
        try:
            run(build, case_file, folder)
        finally:
            clear_unfinished(folder)
        built = row("built")
    except Stopped:
        raise
    except InputError as error:
        return row("refused", _told(error))
    except BlockoutError as error:
        return row("failed", _told(error))
    except Exception as error:
        said = " ".join(str(error).split())
        return row("failed", type(error).__name__ + (f": {said}" if said else ""))
    ledger.note(folder, inputs)
    return built


def _told(error: BlockoutError) -> str:
    # from its parts: an error that came from another process has its sentence twice punctuated
    return str(
        BlockoutError(
            error.what,
            measured=error.measured,
            where=error.where,
            places_mm=error.places_mm,
            fix=error.fix,
        )
    )


def _build_facts(folder: Path) -> dict[str, Any]:
    try:
        summary = summary_of(folder)
        return {
            "model_volume_mm3": float(summary["model"]["volume_mm3"]),
            "warnings": len(summary["warnings"]),
        }
    except (InputError, KeyError, TypeError, ValueError) as error:
        raise CheckError(
            "the case was built, but its summary is not to be read here",
            measured=str(error),
            where=str(folder),
            fix="See that all machines see --out as the same folder.",
        ) from error


@contextmanager
def _runner(scheduler: str | None, stopped: threading.Event) -> Iterator[tuple[_Run, int]]:
    """What runs one build, and how many it takes at once."""
    if scheduler is None:

        def here(build: BuildFile, case_file: Path, folder: Path) -> object:
            if stopped.is_set():
                raise Stopped
            return in_own_process(build, case_file, folder, stopped=stopped)

        yield here, 1
        return
    distributed = _distributed()
    try:
        client = distributed.Client(scheduler, timeout=_ANSWER_WITHIN_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            "no scheduler answers",
            measured=f"waited {_ANSWER_WITHIN_S:g} s; {' '.join(str(error).split())}",
            where=scheduler,
            fix="Give the address that the scheduler showed when it started, such as "
            "tcp://10.0.0.5:8786, with --scheduler.",
        ) from error
    with client:

        def there(build: BuildFile, case_file: Path, folder: Path) -> object:
            # also there in a process of its own: a crash ends the case and not the worker
            future = client.submit(in_own_process, build, case_file, folder.absolute(), pure=False)
            try:
                while not stopped.is_set():
                    try:
                        return future.result(timeout=1.0)
                    except (TimeoutError, distributed.TimeoutError):
                        if future.done():
                            raise
                raise Stopped
            finally:
                future.cancel()

        threads = sum(client.nthreads().values())
        if threads < 1:
            raise InputError(
                "the scheduler has no workers",
                where=scheduler,
                fix="Start workers that know this scheduler, then run it again.",
            )
        yield there, threads


def _distributed() -> Any:
    try:
        return import_module("distributed")
    except ImportError as error:
        raise InputError(
            "the library that speaks to a scheduler is not installed",
            measured="distributed is missing",
            fix="Install blockout with its extra dask, pip install 'blockout[dask]', or leave "
            "--scheduler out.",
        ) from error


def _write_table(out: Path, many: ManyBuilt) -> None:
    columns = [field.name for field in fields(CaseRow)]
    with replacing_file(out / OUTCOMES_CSV) as table, replacing_file(out / OUTCOMES_JSON) as told:
        with table.open("w", encoding="utf-8", newline="") as opened:
            writer = csv.DictWriter(opened, columns)
            writer.writeheader()
            writer.writerows(_csv_row(row) for row in many.rows)
        write_json(told, many.facts())


def _csv_row(row: CaseRow) -> Mapping[str, Any]:
    return {key: "" if value is None else value for key, value in asdict(row).items()}
