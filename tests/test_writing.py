"""Files and folders appear whole or not at all, and nothing of the user's is ever deleted."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from blockout import writing
from blockout.errors import OutputError
from blockout.kernel.files import NamedMesh, write_3mf, write_glb, write_ply, write_stl
from blockout.mesh import Mesh
from blockout.writing import (
    clear_unfinished,
    left_unfinished,
    replacing_file,
    replacing_folder,
)

OURS = ("summary.json", "model.stl", "wax/*.stl")


def held(folder: Path) -> dict[str, str]:
    """Every file below a folder with its text, and every empty folder."""
    return {
        path.relative_to(folder).as_posix(): "" if path.is_dir() else path.read_text()
        for path in sorted(folder.rglob("*"))
        if not (path.is_dir() and any(path.iterdir()))
    }


# --- files ---------------------------------------------------------------------------------------


def test_a_file_takes_its_place_at_the_end_only(tmp_path: Path) -> None:
    target = tmp_path / "model.stl"
    target.write_text("old")
    with replacing_file(target) as unfinished:
        assert unfinished.parent == tmp_path
        assert unfinished.name.startswith("model.stl.unfinished-")
        unfinished.write_text("new")
        assert target.read_text() == "old"
    assert held(tmp_path) == {"model.stl": "new"}


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt, ValueError])
def test_an_error_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, error: type[BaseException]
) -> None:
    target = tmp_path / "model.stl"
    target.write_text("old")

    def fail_halfway() -> None:
        with replacing_file(target) as unfinished:
            unfinished.write_text("half")
            raise error

    with pytest.raises(error):
        fail_halfway()
    assert held(tmp_path) == {"model.stl": "old"}


def test_missing_folders_are_made_and_taken_away_on_an_error(tmp_path: Path) -> None:
    with replacing_file(tmp_path / "a" / "b" / "c.ply") as unfinished:
        unfinished.write_text("x")
    assert held(tmp_path) == {"a/b/c.ply": "x"}
    with pytest.raises(RuntimeError), replacing_file(tmp_path / "a" / "d" / "e" / "f.ply"):
        raise RuntimeError
    assert held(tmp_path) == {"a/b/c.ply": "x"}


def test_a_link_stays_and_its_file_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "real" / "m.stl").write_text("old")
    (tmp_path / "link.stl").symlink_to(tmp_path / "real" / "m.stl")
    with replacing_file(tmp_path / "link.stl") as unfinished:
        unfinished.write_text("new")
    assert (tmp_path / "link.stl").is_symlink()
    assert held(tmp_path / "real") == {"m.stl": "new"}


def test_the_rights_of_a_file_are_kept_and_a_new_one_has_the_usual(tmp_path: Path) -> None:
    was = os.umask(0o027)
    try:
        for _ in range(2):
            with replacing_file(tmp_path / "m.stl") as unfinished:
                unfinished.write_text("x")
            assert (tmp_path / "m.stl").stat().st_mode & 0o777 == 0o640
        (tmp_path / "m.stl").chmod(0o600)
        with replacing_file(tmp_path / "m.stl") as unfinished:
            unfinished.write_text("y")
        assert (tmp_path / "m.stl").stat().st_mode & 0o777 == 0o600
    finally:
        os.umask(was)


def test_a_folder_or_device_is_no_file_to_replace(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    for place, words in ((tmp_path / "b", "is a folder"), (Path(os.devnull), "is a device")):
        with pytest.raises(OutputError, match=words) as caught, replacing_file(place):
            pytest.fail("nothing may be written")
        assert caught.value.fix == "Name a file with --out."
    assert Path(os.devnull).is_char_device()


def test_a_place_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    for place in (tmp_path / "file" / "m.stl", tmp_path / ("x" * 300)):
        with (
            pytest.raises(OutputError, match="cannot be written") as caught,
            replacing_file(place),
        ):
            pytest.fail("there is nothing to write to")
        assert isinstance(caught.value.__cause__, OSError)
        assert "--out" in str(caught.value)
    assert held(tmp_path) == {"file": "mine"}


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no users to change on this system")
def test_a_folder_that_may_not_be_written(tmp_path: Path) -> None:
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)  # the super-user may write everywhere
    try:
        tmp_path.chmod(0o555) if was else None
        with pytest.raises(OutputError, match="permission denied"), replacing_file(tmp_path / "m"):
            pytest.fail("nothing may be written")
        with (
            pytest.raises(OutputError, match="permission denied"),
            replacing_folder(tmp_path / "f", ours=OURS),
        ):
            pytest.fail("nothing may be written")
    finally:
        os.seteuid(was)
        tmp_path.chmod(0o755)
    assert held(tmp_path) == {}


def body() -> Mesh:
    """A big enough mesh that its files pass a small limit."""
    vertices = np.random.default_rng(0).uniform(size=(30_000, 3))
    return Mesh(vertices, np.arange(30_000).reshape(-1, 3))


WRITERS: dict[str, Callable[[Path], None]] = {
    "stl": lambda path: write_stl(path, body()),
    "ply": lambda path: write_ply(path, body()),
    "3mf": lambda path: write_3mf(path, [NamedMesh("a", body(), "cast")], metadata={}),
    "glb": lambda path: write_glb(path, [NamedMesh("a", body(), "cast")], metadata={}),
}


@pytest.fixture
def small_files_only() -> Iterator[None]:
    """The system itself refuses to let a file grow beyond 100 kB."""
    resource = pytest.importorskip("resource")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.usefixtures("small_files_only")
def test_a_file_that_may_not_grow_is_not_left_half_written(tmp_path: Path, kind: str) -> None:
    (tmp_path / "m").write_text("old")
    with pytest.raises(OutputError, match="file too large") as caught:
        WRITERS[kind](tmp_path / "m")
    assert held(tmp_path) == {"m": "old"}
    assert "allows larger files" in str(caught.value)


@pytest.mark.parametrize("kind", WRITERS)
@pytest.mark.parametrize("where", ["write_bytes", "fsync", "replace"])
def test_a_full_disk_at_every_stage(
    tmp_path: Path, kind: str, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    (tmp_path / "m").write_text("old")
    monkeypatch.setattr(*((os, where) if where == "fsync" else (Path, where)), full)
    with pytest.raises(OutputError, match="no space left on device") as caught:
        WRITERS[kind](tmp_path / "m")
    monkeypatch.undo()
    assert held(tmp_path) == {"m": "old"}
    assert caught.value.fix == "Free some space, or name another place with --out."
    assert caught.value.where == str(tmp_path / "m")
    assert caught.value.exit_code == 2


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    """A file system of 64 kB in memory, where the system lets us make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", str(disk)]
    try:
        made = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        made = False
    if not made:
        pytest.skip("this system does not let the test make a small disk")
    try:
        with pytest.raises(OutputError, match="no space left on device"):
            write_stl(disk / "m.stl", body())
        with (
            pytest.raises(OutputError, match="no space left on device"),
            replacing_folder(disk / "b", ours=OURS) as unfinished,
        ):
            write_stl(unfinished / "wax" / "a.stl", body())
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def test_two_runs_at_once_leave_one_whole_file(tmp_path: Path) -> None:
    texts = [letter * 200_000 for letter in "abcdefgh"]

    def write(text: str) -> None:
        for _ in range(5):
            with replacing_file(tmp_path / "m") as unfinished:
                unfinished.write_text(text)

    runs = [threading.Thread(target=write, args=(text,)) for text in texts]
    for run in runs:
        run.start()
    for run in runs:
        run.join()
    assert list(held(tmp_path)) == ["m"]
    assert held(tmp_path)["m"] in texts


def test_a_killed_run_leaves_only_a_sibling_with_an_obvious_name(tmp_path: Path) -> None:
    script = (
        "import os, sys; from pathlib import Path; from blockout.writing import *\n"
        "with replacing_folder(Path(sys.argv[1]), ours=()) as f:\n"
        "    (f / 'model.stl').write_text('half'); os.kill(os.getpid(), 9)\n"
    )
    (tmp_path / "b").mkdir()
    killed = subprocess.run([sys.executable, "-c", script, str(tmp_path / "b")], check=False)
    assert killed.returncode != 0
    left = sorted(path.name for path in tmp_path.iterdir())
    assert left[0] == "b"
    assert left[1].startswith("b.unfinished-")
    assert len(left) == 2
    assert list((tmp_path / "b").iterdir()) == []
    # and the next run is not disturbed
    with replacing_folder(tmp_path / "b", ours=OURS) as unfinished:
        (unfinished / "model.stl").write_text("whole")
    assert held(tmp_path / "b") == {"model.stl": "whole"}


# --- folders -------------------------------------------------------------------------------------


def fill(folder: Path, text: str, *, wax: tuple[str, ...] = ("parallel",)) -> None:
    (folder / "wax").mkdir(parents=True, exist_ok=True)
    (folder / "summary.json").write_text(text)
    (folder / "model.stl").write_text(text)
    for name in wax:
        (folder / "wax" / f"{name}.stl").write_text(text)


def test_a_new_folder_and_then_a_newer_one(tmp_path: Path) -> None:
    for text, wax in (("one", ("parallel", "relief")), ("two", ("parallel",))):
        with replacing_folder(tmp_path / "x" / "b", ours=OURS) as unfinished:
            assert unfinished.parent == tmp_path / "x"
            fill(unfinished, text, wax=wax)
        expected = {"summary.json": text, "model.stl": text}
        assert held(tmp_path / "x" / "b") == expected | {f"wax/{name}.stl": text for name in wax}
    assert [path.name for path in (tmp_path / "x").iterdir()] == ["b"]


def test_an_error_leaves_the_older_folder_and_nothing_else(tmp_path: Path) -> None:
    fill(tmp_path / "b", "old")
    before = held(tmp_path)

    def stopped_halfway(place: Path) -> None:
        with replacing_folder(place, ours=OURS) as unfinished:
            fill(unfinished, "half")
            raise KeyboardInterrupt

    for place in (tmp_path / "b", tmp_path / "c" / "d"):
        with pytest.raises(KeyboardInterrupt):
            stopped_halfway(place)
        assert held(tmp_path) == before


@pytest.mark.parametrize(
    "mine", ["notes.txt", "wax/notes.txt", "wax/deep/a.stl", "model.stl.bak", "scan/summary.json"]
)
def test_files_of_the_user_are_named_and_never_touched(tmp_path: Path, mine: str) -> None:
    fill(tmp_path / "b", "old")
    (tmp_path / "b" / mine).parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / "b" / mine).write_text("mine")
    before = held(tmp_path)
    with (
        pytest.raises(OutputError, match="not results of this program") as caught,
        replacing_folder(tmp_path / "b", ours=OURS),
    ):
        pytest.fail("the work must not begin")
    assert caught.value.measured == mine
    assert held(tmp_path) == before


def test_an_empty_folder_of_the_user_is_not_ours(tmp_path: Path) -> None:
    (tmp_path / "b" / "plans").mkdir(parents=True)
    with pytest.raises(OutputError, match="plans/"), replacing_folder(tmp_path / "b", ours=OURS):
        pytest.fail("the work must not begin")


def test_a_file_that_appears_meanwhile_is_not_lost(tmp_path: Path) -> None:
    fill(tmp_path / "b", "old")

    def build() -> None:
        with replacing_folder(tmp_path / "b", ours=OURS) as unfinished:
            fill(unfinished, "new")
            (tmp_path / "b" / "notes.txt").write_text("mine")

    with pytest.raises(OutputError, match=r"notes\.txt"):
        build()
    assert held(tmp_path / "b")["notes.txt"] == "mine"
    assert held(tmp_path / "b")["model.stl"] == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["b"]


def test_a_link_to_a_file_or_folder_of_the_user_survives(tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "model.stl").write_text("mine")
    fill(tmp_path / "b", "old")
    (tmp_path / "b" / "model.stl").unlink()
    (tmp_path / "b" / "model.stl").symlink_to(tmp_path / "mine" / "model.stl")
    with replacing_folder(tmp_path / "b", ours=OURS) as unfinished:
        fill(unfinished, "new")
    assert held(tmp_path / "mine") == {"model.stl": "mine"}
    (tmp_path / "b" / "more").symlink_to(tmp_path / "mine", target_is_directory=True)
    with pytest.raises(OutputError, match="more"), replacing_folder(tmp_path / "b", ours=OURS):
        pytest.fail("the work must not begin")
    assert held(tmp_path / "mine") == {"model.stl": "mine"}


def test_a_folder_without_our_signature_is_not_ours(tmp_path: Path) -> None:
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "model.stl").write_text("a model of the user's own")
    with (
        pytest.raises(OutputError, match=r"model\.stl"),
        replacing_folder(tmp_path / "b", ours=OURS, signed_by="summary.json"),
    ):
        pytest.fail("the work must not begin")
    assert held(tmp_path / "b") == {"model.stl": "a model of the user's own"}
    (tmp_path / "b" / "summary.json").write_text("{}")
    with replacing_folder(tmp_path / "b", ours=OURS, signed_by="summary.json") as unfinished:
        fill(unfinished, "new")
    assert held(tmp_path / "b")["model.stl"] == "new"


def test_a_file_or_the_root_is_no_folder_to_replace(tmp_path: Path) -> None:
    (tmp_path / "b").write_text("mine")
    with (
        pytest.raises(OutputError, match="is not a folder"),
        replacing_folder(tmp_path / "b", ours=OURS),
    ):
        pytest.fail("the work must not begin")
    with (
        pytest.raises(OutputError, match="a folder of their own"),
        replacing_folder(Path(tmp_path.anchor), ours=OURS),
    ):
        pytest.fail("the work must not begin")
    assert held(tmp_path) == {"b": "mine"}


def test_two_runs_into_one_folder_leave_one_whole_result(tmp_path: Path) -> None:
    gate = threading.Barrier(4)
    errors: list[OutputError] = []

    def run(text: str) -> None:
        for _ in range(5):
            try:
                with replacing_folder(tmp_path / "b", ours=OURS) as unfinished:
                    fill(unfinished, text)
                    gate.wait(timeout=60.0)
            except OutputError as error:  # a run that lost the race says so
                errors.append(error)

    runs = [threading.Thread(target=run, args=(text,)) for text in "abcd"]
    for each in runs:
        each.start()
    for each in runs:
        each.join()
    assert [path.name for path in tmp_path.iterdir()] == ["b"]
    texts = set(held(tmp_path / "b").values())
    assert len(texts) == 1
    assert len(held(tmp_path / "b")) == 3
    assert all("keep writing to the same folder" in str(error) for error in errors)


@pytest.mark.parametrize("another", ["other", None])
def test_a_folder_that_another_run_takes_away_is_looked_at_again(
    tmp_path: Path, another: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While it is read another run moves it out of the way, removes files, and puts its own there:
    what was read has no signature, but is none of the user's.
    """
    fill(tmp_path / "b", "old")
    below, looked = writing._files_below, []

    def torn(folder: Path) -> list[str]:
        found = below(folder)
        if not looked:
            looked.append(folder)
            (tmp_path / "b").rename(tmp_path / "gone")
            if another:
                fill(tmp_path / "b", another)
            found.remove("summary.json")
        return found

    monkeypatch.setattr(writing, "_files_below", torn)
    with replacing_folder(tmp_path / "b", ours=OURS, signed_by="summary.json") as unfinished:
        fill(unfinished, "new")
    assert looked == [tmp_path / "b"]
    assert set(held(tmp_path / "b").values()) == {"new"}


def test_runs_that_look_while_others_swap_take_a_folder_for_a_folder(tmp_path: Path) -> None:
    """Threads that change at every step: between two looks the folder may be gone."""
    stopped = threading.Event()
    fill(tmp_path / "b", "old")
    refused: list[OutputError] = []

    def look() -> None:
        while not stopped.is_set():
            try:
                writing._refuse_foreign(tmp_path / "b", tmp_path / "b", OURS, "summary.json")
            except OutputError as error:
                refused.append(error)

    usual = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        looking = threading.Thread(target=look)
        looking.start()
        for _ in range(2000):
            (tmp_path / "b").rename(tmp_path / "away")
            (tmp_path / "away").rename(tmp_path / "b")
        stopped.set()
        looking.join()
    finally:
        sys.setswitchinterval(usual)
    assert refused == []


def test_a_failing_swap_puts_the_older_folder_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill(tmp_path / "b", "old")
    rename = Path.rename

    def failing(self: Path, target: Path | str) -> Path:
        if ".unfinished-" in self.name:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", failing)
    with (
        pytest.raises(OutputError, match="cannot be written"),
        replacing_folder(tmp_path / "b", ours=OURS) as unfinished,
    ):
        fill(unfinished, "new")
    assert set(held(tmp_path / "b").values()) == {"old"}
    assert [path.name for path in tmp_path.iterdir()] == ["b"]


def test_what_killed_runs_left_is_cleared_and_what_they_moved_is_put_back(
    tmp_path: Path,
) -> None:
    target = tmp_path / ("b" * 120)  # longer than what is kept of it in a sibling's name
    shown = target.name[:100]
    moved = tmp_path / f"{shown}.replaced-0123abcd"
    for left in (moved, tmp_path / f"{shown}.unfinished-0123abcd"):
        (left / "wax").mkdir(parents=True)
        (left / "wax" / "parallel.stl").write_text("solid")
    other = tmp_path / f"{shown}.unfinished-89abcdef"
    other.write_text("of a run at work")
    beside = tmp_path / f"{shown}.unfinished-notours0"
    beside.write_text("named by somebody")
    assert left_unfinished(target) == {moved, tmp_path / f"{shown}.unfinished-0123abcd", other}
    clear_unfinished(target, keep=frozenset({other}))
    assert sorted(tmp_path.iterdir()) == sorted([target, other, beside])
    assert (target / "wax" / "parallel.stl").read_text() == "solid"
    clear_unfinished(target)
    assert sorted(tmp_path.iterdir()) == sorted([target, beside])
