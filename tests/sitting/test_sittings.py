"""One case on the table: undo and redo, saving, what a crash leaves, two at the same file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from sitting_bodies import TEXT, ball_folder, names_in

from blockout.case.case import Case, read_case
from blockout.case.edit import set_path
from blockout.case.editing import with_keep_out, with_path, with_values
from blockout.errors import CaseError, InputError, OutputError, ReadError
from blockout.job.casts import load_cast
from blockout.web import sitting as sitting_room
from blockout.web.sitting import Sitting, open_sitting
from blockout.web.sittings import Sittings
from blockout.web.unsaved import unsaved_beside, unsaved_file

PROJECT = Path(__file__).parents[2]


@pytest.fixture
def case_file(tmp_path: Path) -> Path:
    return ball_folder(tmp_path / "desk")


def tilt(sitting: Sitting, degrees: float) -> Case:
    case = with_path(sitting.case, anterior_tilt_deg=degrees, lateral_tilt_deg=1)
    return sitting.change(f"tilt to {degrees}", case)


# --- undo and redo -------------------------------------------------------------------------------
class AtTheTable(RuleBasedStateMachine):
    """A sitting against a plain list of cases: whatever is done, in whatever order."""

    @initialize()
    def sit_down(self) -> None:
        self.place = tempfile.TemporaryDirectory()
        self.file = Path(self.place.name) / "ball.toml"
        self.file.write_text(TEXT, encoding="utf-8")
        self.casts = mock.patch.object(sitting_room, "cast_of_case", return_value=object())
        self.casts.start()
        self.sitting = open_sitting(self.file)
        self.past = [self.sitting.case]
        self.words = [""]
        self.at = 0
        self.saved = self.sitting.case

    def teardown(self) -> None:
        self.sitting.close()
        self.casts.stop()
        self.place.cleanup()

    def put(self, words: str, case: Case) -> None:
        self.sitting.change(words, case)
        if case != self.past[self.at]:
            self.past = [*self.past[: self.at + 1], case]
            self.words = [*self.words[: self.at + 1], words]
            self.at += 1

    @rule(degrees=st.integers(-9, 9))
    def tilts(self, degrees: int) -> None:
        case = with_path(self.sitting.case, anterior_tilt_deg=degrees, lateral_tilt_deg=0)
        self.put(f"tilt to {degrees}", case)

    @rule(x=st.integers(0, 5))
    def draws(self, x: int) -> None:
        zone = [(x, 0, 0), (x + 1, 0, 0), (x, 1, 0)]
        self.put(f"draw at {x}", with_keep_out(self.sitting.case, zone))

    @rule(file=st.sampled_from(["ball.ply", "other.ply"]))
    def takes_another_cast(self, file: str) -> None:
        self.put(f"take {file}", with_values(self.sitting.case, "cast", {"file": file}))

    @rule()
    def undoes(self) -> None:
        words = self.sitting.undo()
        assert words == (self.words[self.at] if self.at else None)
        self.at = max(0, self.at - 1)

    @rule()
    def redoes(self) -> None:
        words = self.sitting.redo()
        is_last = self.at + 1 == len(self.past)
        assert words == (None if is_last else self.words[self.at + 1])
        self.at += not is_last

    @rule()
    def saves(self) -> None:
        self.sitting.save()
        self.saved = self.past[self.at]

    @precondition(lambda self: self.past[self.at] != self.saved)
    @rule(take=st.booleans())
    def crashes_and_comes_back(self, take: bool) -> None:
        sitting_room._live.clear()  # as in a new process
        left = self.sitting.case
        self.sitting = open_sitting(self.file)
        offered = self.sitting.offered
        assert offered is not None
        assert offered.case == left
        assert offered.case.model_fields_set == left.model_fields_set
        self.past, self.words, self.at = [self.saved], [""], 0
        if take:
            self.put("take up unsaved changes", left)
            self.sitting.undo()
            self.sitting.redo()
            assert self.sitting.take_offered() == left
        else:
            self.sitting.drop_offered()
        assert self.sitting.offered is None

    @invariant()
    def all_agree(self) -> None:
        case = self.past[self.at]
        assert self.sitting.case == case
        assert self.sitting.saved == (case == self.saved)
        assert read_case(self.file) == self.saved
        assert self.sitting.conflict is None
        kept = unsaved_beside(self.file)
        if case == self.saved:
            assert names_in(self.file.parent) == ["ball.toml"]
        else:
            assert [(one.case, one.sitting) for one in kept] == [(case, self.sitting.id)]
        self.sitting.prepared  # noqa: B018 - the cast of every step is at hand


AtTheTable.TestCase.settings = settings(max_examples=12, stateful_step_count=20)
TestAtTheTable = AtTheTable.TestCase


def test_undo_goes_back_a_bounded_way(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    with mock.patch.object(sitting_room, "UNDO_MOST", 3):
        for degrees in range(5):
            tilt(sitting, degrees)
    assert [sitting.undo() for _ in range(4)] == ["tilt to 4", "tilt to 3", "tilt to 2", None]


# --- saving --------------------------------------------------------------------------------------
def test_saving_keeps_the_users_comments_and_undo(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    tilt(sitting, 2.5)
    text = sitting.text()
    assert case_file.read_text(encoding="utf-8") == TEXT
    sitting.save()
    expected = TEXT.replace("deg = 4 ", "deg = 2.5 ").replace("= -2", "= 1.0")
    assert case_file.read_text(encoding="utf-8") == expected == text
    assert sitting.saved
    assert sitting.undo() == "tilt to 2.5"
    assert not sitting.saved


def test_a_file_changed_by_someone_else_is_not_written_over(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    tilt(sitting, 2)
    assert sitting.conflict is None
    set_path(case_file, anterior_tilt_deg=7, lateral_tilt_deg=0)
    theirs = case_file.read_text(encoding="utf-8")
    assert sitting.conflict == "ball.toml was changed by someone else since it was opened"
    with pytest.raises(OutputError, match="changed by someone else"):
        sitting.save()
    assert case_file.read_text(encoding="utf-8") == theirs
    assert not sitting.saved
    assert read_case(case_file).path.anterior_tilt_deg == 7
    # take theirs, which undo takes back; then write ours over it
    assert sitting.read_again().path.anterior_tilt_deg == 7
    assert sitting.saved
    assert sitting.undo() == "read the case file again"
    assert sitting.case.path.anterior_tilt_deg == 2
    sitting.save()
    assert read_case(case_file).path.anterior_tilt_deg == 2
    case_file.write_text(theirs, encoding="utf-8")
    sitting.save(over=True)
    assert read_case(case_file) == sitting.case
    assert sitting.conflict is None


def test_a_file_that_is_gone_is_told_and_can_be_written_again(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    tilt(sitting, 2)
    case_file.unlink()
    with pytest.raises(OutputError, match=r"ball\.toml is gone"):
        sitting.save()
    sitting.save(over=True)
    assert read_case(case_file) == sitting.case


def test_a_file_that_is_no_case_any_more_is_left_alone(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    tilt(sitting, 2)
    case_file.write_text("colour = 1\n", encoding="utf-8")
    with pytest.raises(CaseError, match="colour"):
        sitting.save(over=True)
    with pytest.raises(CaseError, match="colour"):
        sitting.read_again()
    assert case_file.read_text(encoding="utf-8") == "colour = 1\n"
    assert sitting.case.path.anterior_tilt_deg == 2


def test_two_sittings_at_one_file_do_not_mix(case_file: Path) -> None:
    one, other = open_sitting(case_file), open_sitting(case_file)
    assert one.id != other.id
    tilt(one, 1)
    tilt(other, 2)
    assert other.offered is None
    assert (one.case.path.anterior_tilt_deg, other.case.path.anterior_tilt_deg) == (1, 2)
    assert {kept.sitting for kept in unsaved_beside(case_file)} == {one.id, other.id}
    third = open_sitting(case_file)
    assert third.offered is None  # both are still at the table
    one.save()
    with pytest.raises(OutputError, match="changed by someone else"):
        other.save()
    assert {kept.sitting for kept in unsaved_beside(case_file)} == {other.id}
    other.save(over=True)
    assert read_case(case_file).path.anterior_tilt_deg == 2
    assert names_in(case_file.parent) == ["ball.ply", "ball.toml"]


def test_changes_from_many_threads_all_arrive(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    number = iter(range(100))
    claim = threading.Lock()

    def draw() -> None:
        for _ in range(10):
            with claim:
                k = next(number)
                zone = [(k, 0, 0), (k + 1, 0, 0), (k, 1, 0)]
                sitting.change(f"zone {k}", with_keep_out(sitting.case, zone))
            sitting.case, sitting.saved, sitting.undo_words, sitting.conflict  # noqa: B018

    threads = [threading.Thread(target=draw) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(zone[0][0] for zone in sitting.case.parallel.keep_out) == list(range(40))
    (kept,) = unsaved_beside(case_file)
    assert kept.case == sitting.case


# --- what a crash leaves -------------------------------------------------------------------------
CRASHING = """
import sys, os, signal
from blockout.web.sitting import open_sitting
from blockout.case.editing import with_keep_out
sitting = open_sitting(sys.argv[1])
for k in range(10_000):
    zone = [(k, 0, 0), (k + 1, 0, 0), (k, 1, 0)]
    sitting.change(f"zone {k}", with_keep_out(sitting.case, zone))
    sys.stdout.write(f"{k}\\n")
    sys.stdout.flush()
"""


def test_a_killed_process_loses_nothing_that_was_drawn(case_file: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", CRASHING, str(case_file)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=PROJECT,
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line == "7\n":
                os.kill(process.pid, signal.SIGKILL)
                break
        told = 8 + len(process.stdout.read().split())
    assert process.returncode == -signal.SIGKILL
    sitting = open_sitting(case_file)
    assert case_file.read_text(encoding="utf-8") == TEXT
    assert sitting.saved
    assert sitting.offered is not None
    zones = sitting.offered.case.parallel.keep_out
    # each change is whole on the disk before it is told; one more may have been
    assert len(zones) in (told, told + 1)
    assert [zone[0][0] for zone in zones] == list(range(len(zones)))
    assert sitting.offered.words == f"zone {len(zones) - 1}"
    older = sitting.offered.file
    taken = sitting.take_offered()
    assert taken.parallel.keep_out == zones
    assert not older.exists()
    assert unsaved_file(case_file, sitting.id).exists()
    assert sitting.undo() == "take up unsaved changes"
    assert sitting.case.parallel.keep_out == ()


def test_closing_keeps_what_is_unsaved_and_offers_it_back(case_file: Path) -> None:
    first = open_sitting(case_file)
    tilt(first, 3)
    first.close()
    second = open_sitting(case_file)
    assert second.offered is not None
    assert second.offered.case == first.case
    assert second.offered.sitting == first.id
    second.drop_offered()
    assert second.offered is None
    assert names_in(case_file.parent) == ["ball.ply", "ball.toml"]
    with pytest.raises(InputError, match="no unsaved changes"):
        second.take_offered()


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"schema": "blockout-unsaved/1"}', "\x00"])
def test_what_is_no_kept_change_is_neither_offered_nor_deleted(case_file: Path, text: str) -> None:
    stray = case_file.with_name("ball.toml.abc.unsaved")
    stray.write_text(text, encoding="utf-8")
    sitting = open_sitting(case_file)
    assert sitting.offered is None
    tilt(sitting, 2)
    sitting.save()
    assert stray.read_text(encoding="utf-8") == text


def test_trouble_in_keeping_is_told_and_the_change_stands(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    with mock.patch.object(sitting_room, "keep_unsaved", side_effect=OutputError("disk full")):
        tilt(sitting, 2)
    assert sitting.trouble == "disk full."
    assert sitting.case.path.anterior_tilt_deg == 2
    tilt(sitting, 3)
    assert sitting.trouble == ""


# --- opening -------------------------------------------------------------------------------------
def test_a_scan_gets_a_case_file_beside_it(case_file: Path) -> None:
    folder = case_file.parent
    scan = folder / "ball.ply"
    sitting = open_sitting(scan, arch="lower")
    assert sitting.file == folder / "ball.case.toml"
    assert sitting.case.cast.model_dump(exclude_unset=True) == {"file": "ball.ply", "arch": "lower"}
    assert sitting.cast.mesh.triangle_count == load_cast(scan).cast.mesh.triangle_count
    tilt(sitting, 2)
    sitting.save()
    # again: the same case file as it is, not a new one
    before = sitting.file.read_bytes()
    again = open_sitting(scan)
    assert again.file == sitting.file
    assert again.case.path.anterior_tilt_deg == 2
    assert sitting.file.read_bytes() == before


def test_another_scans_case_file_is_never_touched(case_file: Path) -> None:
    folder = case_file.parent
    taken = folder / "ball.case.toml"
    taken.write_text('schema = "blockout-case/1"\n[cast]\nfile = "other.ply"\n', encoding="utf-8")
    broken = folder / "ball-2.case.toml"
    broken.write_text("nonsense", encoding="utf-8")
    sitting = open_sitting(folder / "ball.ply")
    assert sitting.file == folder / "ball-3.case.toml"
    assert "other.ply" in taken.read_text(encoding="utf-8")
    assert broken.read_text(encoding="utf-8") == "nonsense"


def test_what_cannot_be_opened_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "bad.stl").write_bytes(b"solid")
    with pytest.raises(ReadError):
        open_sitting(tmp_path / "bad.stl")
    with pytest.raises(InputError, match="no such file"):
        open_sitting(tmp_path / "absent.stl")
    with pytest.raises(CaseError, match="no such case file"):
        open_sitting(tmp_path / "absent.toml")
    assert names_in(tmp_path) == ["bad.stl"]


def test_another_cast_is_made_before_it_is_taken(case_file: Path) -> None:
    sitting = open_sitting(case_file)
    before = sitting.prepared
    with pytest.raises(ReadError):
        sitting.change("take", with_values(sitting.case, "cast", {"file": "absent.ply"}))
    assert sitting.case.cast.file == "ball.ply"
    assert sitting.undo_words is None
    sitting.change("say which arch", with_values(sitting.case, "cast", {"arch": "upper"}))
    assert sitting.cast.arch == "upper"
    sitting.undo()
    assert sitting.prepared is before
    job_case = sitting.case_for_job
    assert Path(job_case.cast.file) == case_file.parent / "ball.ply"
    assert job_case.cast.model_fields_set == sitting.case.cast.model_fields_set


# --- all of them ---------------------------------------------------------------------------------
def test_the_one_that_was_idle_longest_is_forgotten_and_kept(case_file: Path) -> None:
    sittings = Sittings(most=2)
    first, second = sittings.open(case_file), sittings.open(case_file)
    tilt(second, 2)
    assert sittings.get(first.id) is first  # not idle any more
    third = sittings.open(case_file)
    assert len(sittings) == 2
    assert (second.id in sittings, first.id in sittings, third.id in sittings) == (
        False,
        True,
        True,
    )
    with pytest.raises(InputError, match="sitting is over"):
        sittings.get(second.id)
    assert unsaved_file(case_file, second.id).exists()
    sittings.forget(third.id)
    fourth = sittings.open(case_file)
    assert fourth.offered is not None
    assert fourth.offered.sitting == second.id
    sittings.close()
    assert len(sittings) == 0


def test_ids_cannot_be_guessed(case_file: Path) -> None:
    ids = {open_sitting(case_file).id for _ in range(3)}
    assert len(ids) == 3
    assert all(len(one) >= 22 for one in ids)  # 16 random bytes
