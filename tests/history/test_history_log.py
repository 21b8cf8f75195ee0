"""The log: rows come back as they went in, nothing is lost, nothing foreign is touched."""

from __future__ import annotations

import hashlib
import multiprocessing
import os
import sqlite3
import threading
from contextlib import closing
from pathlib import Path

import pytest
from made_up import CASE, SUMMARY, WHEN, facts, fifty_rows

from blockout.errors import InputError, OutputError, ReadError
from blockout.history.entry import case_checksum
from blockout.history.log import (
    APPLICATION,
    append_build,
    append_comparison,
    read_entries,
    warning_of,
)
from blockout.history.place import log_place


def tree(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


# --- rows ----------------------------------------------------------------------------------------
def test_a_build_comes_back_as_it_went_in(tmp_path: Path) -> None:
    log = tmp_path / "new" / "folder" / "log.sqlite"
    written = append_build(log, SUMMARY, case_file="cases/7.toml", at=WHEN)
    assert read_entries(log) == (written,)
    assert (written.number, written.at_utc, written.kind) == (1, "2031-05-04T13:02:01Z", "build")
    assert (written.case_name, written.case_file) == ("Ärztin's case 7", "cases/7.toml")
    assert (written.cast_sha256, written.version) == ("a" * 64, "0.1.0")
    assert written.versions == {"python": "3.12.1", "numpy": "2.4.6"}
    assert (written.anterior_tilt_deg, written.lateral_tilt_deg) == (-4.0, 2.5)
    assert (written.undercut_mm3, written.model_mm3) == (833.125, 36851.75)
    assert written.blockout_mm3 == {"parallel": 708.5, "ledge": 25.25, "relief": 0.0}
    assert written.warnings == ("steep-tilt", "thin-wall")
    assert written.passed is None
    assert written.actual_mm3 is None


def test_each_scan_of_a_comparison_is_a_row(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    append_build(log, SUMMARY)
    two = append_comparison(log, facts(737.3, 722.7, passed=False), case=CASE, at=WHEN)
    assert read_entries(log, kind="compare") == two
    assert [one.number for one in two] == [2, 3]
    assert [one.scan_sha256 for one in two] == ["1" * 64, "2" * 64]
    assert [one.off_percent for one in two] == pytest.approx([1.0, -1.0])
    first = two[0]
    assert (first.expected_mm3, first.actual_mm3) == (730.0, 737.3)
    assert (first.missing_mm3, first.excess_mm3) == (1.5, 2.25)
    assert (first.rms_mm, first.p95_mm) == (0.031, 0.062)
    assert (first.share_within, first.within_mm, first.passed) == (0.97, 0.1, False)
    assert first.case_sha256 == read_entries(log, kind="build")[0].case_sha256
    assert read_entries(log, case="another") == ()
    assert len(read_entries(log, case="Ärztin's case 7")) == 3


def test_a_comparison_that_shows_no_wax_is_recorded_without_figures(tmp_path: Path) -> None:
    document = facts(0.0)
    document["scans"][0]["deviation"]["wax"]["all"] = None
    document["scans"][0]["volume"]["shown_mm3"] = 0.0
    (row,) = append_comparison(tmp_path / "log.sqlite", document)
    assert (row.rms_mm, row.off_percent, row.case_sha256, row.case_name) == (None, None, None, "")
    assert read_entries(tmp_path / "log.sqlite") == (row,)


def test_the_checksum_is_that_of_sorted_json() -> None:
    # written out by hand: keys in order, no spaces, UTF-8
    text = '{"name":"Ä","path":{"a":1.5,"b":null}}'
    case = {"path": {"b": None, "a": 1.5}, "name": "Ä"}
    assert case_checksum(case) == hashlib.sha256(text.encode()).hexdigest()
    assert case_checksum(case | {"name": "B"}) != case_checksum(case)


def test_the_document_is_left_as_it_was(tmp_path: Path) -> None:
    before = repr(SUMMARY), repr(document := facts(730.0))
    append_build(tmp_path / "log.sqlite", SUMMARY)
    append_comparison(tmp_path / "log.sqlite", document)
    assert (repr(SUMMARY), repr(document)) == before


# --- several at once -----------------------------------------------------------------------------
def test_two_processes_at_once_lose_nothing(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    spawned = multiprocessing.get_context("spawn")
    both = [spawned.Process(target=fifty_rows, args=(str(log), name)) for name in ("one", "two")]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
    assert [process.exitcode for process in both] == [0, 0]
    rows = read_entries(log)
    expected = {f"{name}-{number}" for name in ("one", "two") for number in range(50)}
    assert {row.case_name for row in rows} == expected
    assert [row.number for row in rows] == list(range(1, 101))
    for name in ("one", "two"):  # each in its own order
        own = [row.case_name for row in rows if row.case_name.startswith(name)]
        assert own == [f"{name}-{number}" for number in range(50)]


def test_threads_of_one_process_lose_nothing(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    threads = [
        threading.Thread(target=lambda: [append_build(log, SUMMARY) for _ in range(10)])
        for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [row.number for row in read_entries(log)] == list(range(1, 41))


def test_a_log_that_stays_locked_is_told_and_the_wait_is_bounded(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    append_build(log, SUMMARY)
    with closing(sqlite3.connect(log, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match="locked"):
            append_build(log, SUMMARY, wait_s=0.05)
    append_build(log, SUMMARY, wait_s=0.05)
    assert len(read_entries(log)) == 2


# --- what cannot be written ----------------------------------------------------------------------
def test_what_cannot_be_written_is_only_a_warning(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    log = tmp_path / "file" / "log.sqlite"  # a folder that is a file: no user may write there
    said = warning_of(lambda: append_build(log, SUMMARY))
    assert said is not None
    assert said.startswith("Not recorded in the log: the log cannot be written; ")
    assert str(log) in said
    assert "--no-log" in said
    assert "\n" not in said
    assert (tmp_path / "file").read_text() == "x"


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write all")
def test_a_folder_without_leave_is_only_a_warning(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    said = warning_of(lambda: append_build(tmp_path / "log.sqlite", SUMMARY))
    tmp_path.chmod(0o700)
    assert said is not None
    assert tree(tmp_path) == {}


def test_a_document_of_another_shape_is_only_a_warning_and_adds_no_row(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    written = append_build(log, SUMMARY)
    said = warning_of(lambda: append_build(log, {"schema": "x"}))
    assert said is not None
    assert said.startswith("Not recorded in the log: KeyError")
    assert read_entries(log) == (written,)


def test_of_a_comparison_all_rows_are_added_or_none(tmp_path: Path) -> None:
    log = tmp_path / "log.sqlite"
    written = append_build(log, SUMMARY)
    with closing(sqlite3.connect(log)) as database:
        database.execute(
            "CREATE TRIGGER stop BEFORE INSERT ON entry WHEN NEW.scan_name = 'scan-2.stl'"
            " BEGIN SELECT RAISE(ABORT, 'no room'); END"
        )
        database.commit()
    with pytest.raises(OutputError, match="no room"):
        append_comparison(log, facts(730.0, 731.0))
    assert read_entries(log) == (written,)


# --- what is not ours ----------------------------------------------------------------------------
def _foreign(path: Path, kind: str) -> str:
    """Make a file that is no log; words of its refusal."""
    if kind == "text":
        path.write_text("notes of the lab " * 20)
        return "not an SQLite file"
    if kind == "short":
        path.write_bytes(b"SQLite format 3\x00")
        return "not an SQLite file"
    if kind in ("older", "newer"):
        append_build(path, SUMMARY)
    with closing(sqlite3.connect(path)) as database:
        if kind in ("older", "newer"):
            database.execute(f"PRAGMA user_version = {0 if kind == 'older' else 99}")
        else:
            if kind == "wal":
                database.execute("PRAGMA journal_mode = WAL")
            database.execute("CREATE TABLE entry (number INTEGER PRIMARY KEY, at_utc TEXT)")
            database.execute(f"PRAGMA user_version = {1 if kind == 'same version' else 0}")
        database.commit()
    return f"{kind} version" if kind in ("older", "newer") else "another program"


@pytest.mark.parametrize(
    "kind", ["text", "short", "database", "wal", "same version", "older", "newer"]
)
def test_what_is_not_a_log_is_refused_and_left_as_it_was(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "other.db"
    words = _foreign(path, kind)
    before, changed = tree(tmp_path), path.stat().st_mtime_ns
    for refused in (
        lambda: append_build(path, SUMMARY),
        lambda: append_comparison(path, facts(1.0)),
        lambda: read_entries(path),
    ):
        with pytest.raises((OutputError, ReadError), match=words) as caught:
            refused()
        assert "not changed" in str(caught.value)
    assert tree(tmp_path) == before  # no journal beside it either
    assert path.stat().st_mtime_ns == changed


def test_a_folder_is_no_log_and_no_file_is_no_log(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="not a file"):
        append_build(tmp_path, SUMMARY)
    with pytest.raises(ReadError, match="there is no log"):
        read_entries(tmp_path / "none.sqlite")
    assert tree(tmp_path) == {}


def test_an_empty_file_becomes_a_log_with_both_marks(tmp_path: Path) -> None:
    log = tmp_path / "log #1 50%?.sqlite"  # a name that an address must escape
    log.touch()
    assert read_entries(log) == ()
    append_build(log, SUMMARY)
    assert [path.name for path in tmp_path.iterdir()] == [log.name]
    with closing(sqlite3.connect(log)) as database:  # read by SQLite, not by our header reader
        assert database.execute("PRAGMA user_version").fetchone() == (1,)
        assert database.execute("PRAGMA application_id").fetchone() == (APPLICATION,)
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_name_full_of_quotes_is_only_a_name(tmp_path: Path) -> None:
    name = "x'); DROP TABLE entry; --"
    log = tmp_path / "log.sqlite"
    append_build(log, {**SUMMARY, "case": {"name": name}})
    assert [row.case_name for row in read_entries(log, case=name)] == [name]


# --- where it is ---------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("platform", "environment", "place"),
    [
        # XDG Base Directory Specification; Apple and Microsoft file system conventions
        ("linux", {}, "/home/t/.local/state/blockout/history.sqlite"),
        ("linux", {"XDG_STATE_HOME": "/s"}, "/s/blockout/history.sqlite"),
        ("linux", {"XDG_STATE_HOME": "rel"}, "/home/t/.local/state/blockout/history.sqlite"),
        ("darwin", {}, "/home/t/Library/Application Support/blockout/history.sqlite"),
        ("win32", {"LOCALAPPDATA": r"C:\L"}, r"C:\L\blockout\history.sqlite"),
        ("win32", {}, r"\home\t\AppData\Local\blockout\history.sqlite"),
        ("linux", {"BLOCKOUT_LOG": "my.sqlite", "XDG_STATE_HOME": "/s"}, "my.sqlite"),
        ("linux", {"BLOCKOUT_LOG": " OFF "}, None),
        ("linux", {"BLOCKOUT_LOG": "", "XDG_STATE_HOME": "/s"}, "/s/blockout/history.sqlite"),
    ],
)
def test_the_log_is_where_the_system_keeps_such_things(
    platform: str, environment: dict[str, str], place: str | None
) -> None:
    found = log_place(environment=environment, platform=platform, home="/home/t")
    assert (None if found is None else str(found)) == place


def test_what_is_asked_comes_before_the_variable() -> None:
    rest = {"environment": {"BLOCKOUT_LOG": "off"}, "platform": "linux", "home": "/h"}
    assert log_place(asked=Path("a.db"), **rest) == Path("a.db")  # type: ignore[arg-type]
    rest["environment"] = {"BLOCKOUT_LOG": "b.db"}
    assert log_place(turned_off=True, **rest) is None  # type: ignore[arg-type]
    with pytest.raises(InputError, match="turned off and named"):
        log_place(asked=Path("a.db"), turned_off=True, **rest)  # type: ignore[arg-type]
