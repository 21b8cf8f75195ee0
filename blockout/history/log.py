"""The log: one table in one SQLite file, added to and never changed.

Each write is one transaction that takes the lock first (BEGIN IMMEDIATE) and waits for others, so
that two processes at once lose nothing. The file is marked as ours by SQLite's application id and
carries its schema's version as SQLite's user version; both are read from the header (SQLite file
format, 1.3: bytes 60 to 63 and 68 to 71) before anything is opened, so that a file of another
program is not touched in any way.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from blockout.errors import BlockoutError, InputError, OutputError, ReadError
from blockout.history.entry import Entry, Kind, build_entry, comparison_entries

VERSION: Final = 1
"""Of the table; told by ``PRAGMA user_version``."""
APPLICATION: Final = 0x424C4B48
"""Marks the file as ours, ``PRAGMA application_id``: "BLKH" in ASCII."""
WAIT_S: Final = 20.0
"""For how long another process may hold the file."""

_MAGIC: Final = b"SQLite format 3\x00"
_HEADER: Final = 100
_COLUMNS: Final = tuple(one.name for one in fields(Entry) if one.name != "number")
_TABLE: Final = """
CREATE TABLE entry (
    number INTEGER PRIMARY KEY AUTOINCREMENT,
    at_utc TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('build', 'compare')),
    case_name TEXT NOT NULL,
    case_file TEXT NOT NULL,
    cast_sha256 TEXT,
    case_sha256 TEXT,
    version TEXT,
    versions TEXT NOT NULL,
    anterior_tilt_deg REAL,
    lateral_tilt_deg REAL,
    undercut_mm3 REAL,
    blockout_mm3 TEXT NOT NULL,
    model_mm3 REAL,
    warnings TEXT NOT NULL,
    scan_name TEXT,
    scan_sha256 TEXT,
    expected_mm3 REAL,
    actual_mm3 REAL,
    missing_mm3 REAL,
    excess_mm3 REAL,
    rms_mm REAL,
    p95_mm REAL,
    share_within REAL,
    within_mm REAL,
    passed INTEGER
)
"""
_IN_JSON: Final = ("versions", "blockout_mm3", "warnings")
# closing any handle of a file drops the locks its process holds on it (POSIX), and the header is
# read by a handle of its own: within one process, one at a time
_ALONE: Final = threading.Lock()


# --- adding --------------------------------------------------------------------------------------
def append_build(
    log: Path,
    summary: Mapping[str, Any],
    *,
    case_file: str | None = None,
    at: datetime | None = None,
    wait_s: float = WAIT_S,
) -> Entry:
    """Add the row of one build, from what ``summary.json`` holds; the row is returned.

    Raises
    ------
    OutputError
        The file is not a log, or one of another version; it cannot be written, or stays locked.
    """
    row = build_entry(summary, at_utc=_stamp(at), case_file=case_file)
    return append_entries(log, (row,), wait_s=wait_s)[0]


def append_comparison(
    log: Path,
    facts: Mapping[str, Any],
    *,
    case: Mapping[str, Any] | None = None,
    case_file: str | None = None,
    at: datetime | None = None,
    wait_s: float = WAIT_S,
) -> tuple[Entry, ...]:
    """Add one row for each scan of a comparison, from what ``compare.json`` holds; all or none.

    ``case`` is that of the build's ``summary.json``.

    Raises
    ------
    OutputError
        As for :func:`append_build`.
    """
    rows = comparison_entries(facts, at_utc=_stamp(at), case=case, case_file=case_file)
    return append_entries(log, rows, wait_s=wait_s)


def append_entries(
    log: Path, rows: Sequence[Entry], *, wait_s: float = WAIT_S
) -> tuple[Entry, ...]:
    """Add rows in one transaction; they are returned with their numbers.

    Raises
    ------
    OutputError
    """
    with _ALONE, _trouble_told(log):
        log.parent.mkdir(parents=True, exist_ok=True)
        _refuse_foreign(log, OutputError)
        with closing(_connected(log, "rwc", wait_s)) as database:
            database.execute("BEGIN IMMEDIATE")
            try:
                _set_up(database, log)
                written = tuple(replace(row, number=_insert(database, row)) for row in rows)
                database.execute("COMMIT")
            except BaseException:
                if database.in_transaction:
                    database.execute("ROLLBACK")
                raise
    return written


def warning_of(add: Callable[[], object]) -> str | None:
    """Add to the log; what went wrong comes back as one line of words instead of an error.

    The work that is recorded is done and on the disk: a log that cannot be kept must not undo it.

    >>> warning_of(lambda: None) is None
    True
    """
    try:
        add()
    except BlockoutError as error:
        said = str(error)
    except Exception as error:  # whatever it is, the work stands
        said = f"{type(error).__name__}: {' '.join(str(error).split())}"
    else:
        return None
    return f"Not recorded in the log: {said}"


# --- reading -------------------------------------------------------------------------------------
def read_entries(
    log: Path, *, case: str | None = None, kind: Kind | None = None, wait_s: float = WAIT_S
) -> tuple[Entry, ...]:
    """Rows of the log, in the order in which they were added; nothing is changed.

    Raises
    ------
    ReadError
        There is no such file, or it is not a log of this version.
    """
    if not log.is_file():
        raise ReadError(
            "there is no log",
            where=str(log),
            fix="A build or a comparison makes it; name another with --log.",
        )
    with _ALONE, _trouble_told(log, ReadError):
        _refuse_foreign(log, ReadError)
        if log.stat().st_size == 0:
            return ()
        with closing(_connected(log, "ro", wait_s)) as database:
            found = database.execute(
                f"SELECT number, {', '.join(_COLUMNS)} FROM entry"
                " WHERE (?1 IS NULL OR case_name = ?1) AND (?2 IS NULL OR kind = ?2)"
                " ORDER BY number",
                (case, kind),
            ).fetchall()
    return tuple(_entry(row) for row in found)


# --- inside --------------------------------------------------------------------------------------
def _stamp(at: datetime | None) -> str:
    return (at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _connected(log: Path, mode: str, wait_s: float) -> sqlite3.Connection:
    address = f"{log.resolve().as_uri()}?mode={mode}"
    return sqlite3.connect(address, uri=True, timeout=wait_s, isolation_level=None)


def _refuse_foreign(log: Path, kind: type[InputError]) -> None:
    """Raise ``kind`` for a file that holds anything but a log of this version."""
    if not log.exists():
        return
    if not log.is_file():
        raise kind("the log is not a file", where=str(log), fix="Name a file with --log.")
    with log.open("rb") as file:
        header = file.read(_HEADER)
    if not header:
        return
    if len(header) < _HEADER or not header.startswith(_MAGIC):
        raise _foreign(log, kind, "it is not an SQLite file")
    _judge(
        log,
        kind,
        application=int.from_bytes(header[68:72], "big"),
        version=int.from_bytes(header[60:64], "big"),
    )


def _judge(log: Path, kind: type[InputError], *, application: int, version: int) -> None:
    if application != APPLICATION:
        raise _foreign(log, kind, "it is an SQLite file of another program")
    if version != VERSION:
        age = "an older" if version < VERSION else "a newer"
        raise kind(
            f"the log is of {age} version of this program",
            measured=f"version {version}, this program keeps version {VERSION}",
            where=str(log),
            fix="It was not changed. Name another file with --log.",
        )


def _foreign(log: Path, kind: type[InputError], why: str) -> InputError:
    return kind(
        "the file is not a log of builds and comparisons",
        measured=why,
        where=str(log),
        fix="It was not changed. Name another file with --log.",
    )


def _set_up(database: sqlite3.Connection, log: Path) -> None:
    """Make the table in a new file; with the lock held, judge one that another run has made."""
    (tables,) = database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    (application,) = database.execute("PRAGMA application_id").fetchone()
    (version,) = database.execute("PRAGMA user_version").fetchone()
    if not tables and not application and not version:
        database.execute(_TABLE)
        database.execute(f"PRAGMA application_id = {APPLICATION}")
        database.execute(f"PRAGMA user_version = {VERSION}")
        return
    _judge(log, OutputError, application=application, version=version)


def _insert(database: sqlite3.Connection, row: Entry) -> int:
    values = {name: getattr(row, name) for name in _COLUMNS}
    for name in _IN_JSON:
        held = values[name]
        plain = list(held) if isinstance(held, tuple) else dict(held)
        values[name] = json.dumps(plain, ensure_ascii=False, allow_nan=False)
    done = database.execute(
        f"INSERT INTO entry ({', '.join(_COLUMNS)})"
        f" VALUES ({', '.join(f':{name}' for name in _COLUMNS)})",
        values,
    )
    return int(done.lastrowid or 0)


def _entry(row: Sequence[Any]) -> Entry:
    values = dict(zip(("number", *_COLUMNS), row, strict=True))
    for name in _IN_JSON:
        values[name] = json.loads(values[name])
    values["warnings"] = tuple(values["warnings"])
    values["passed"] = None if values["passed"] is None else bool(values["passed"])
    return Entry(**values)


@contextmanager
def _trouble_told(log: Path, kind: type[InputError] = OutputError) -> Iterator[None]:
    doing = "written" if kind is OutputError else "read"
    try:
        yield
    except (OSError, sqlite3.Error) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise kind(
            f"the log cannot be {doing}",
            measured=reason[:1].lower() + reason[1:],
            where=str(log),
            fix="Name another file with --log, or leave it out with --no-log.",
        ) from error
