"""A disk that is full, a pipe that nobody reads, memory that is not there, and Ctrl-C from outside:
words, an exit code, no half output.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from struck import FIXED, RUN, assert_words, digest, environment, program, scan_in

resource = pytest.importorskip("resource", reason="no limits to set on this system")

OUT = {"prepare": "cast.ply", "survey": "s", "build": "b"}


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own in memory with room for the scan and little more."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=48k", "tmpfs", str(disk)]
    try:
        made = subprocess.run(mount, capture_output=True, check=False).returncode == 0
    except FileNotFoundError:
        made = False
    if not made:
        pytest.skip("this user may not mount a file system")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)


@pytest.mark.long
@pytest.mark.parametrize("command", ["survey", "build"])
def test_a_disk_that_is_full(small_disk: Path, command: str) -> None:
    scan = scan_in(small_disk)
    before = digest(scan)
    done = program(command, scan, *FIXED, "--out", small_disk / OUT[command])
    assert done.returncode == 2, done.stderr
    assert_words(done.stderr, "no space left on device", "Free some space")
    assert done.stdout == ""
    assert [entry.name for entry in small_disk.iterdir()] == ["scan.stl"]
    assert digest(scan) == before


@pytest.mark.parametrize("command", OUT)
def test_files_that_may_not_grow(tmp_path: Path, command: str) -> None:
    scan = scan_in(tmp_path / "case")
    before = digest(scan)

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (4_000, 4_000))

    out = tmp_path / "case" / OUT[command]
    done = program(command, scan, *FIXED, "--out", out, preexec_fn=little)
    assert done.returncode == 2, done.stderr
    assert_words(done.stderr, "file too large", "--out")
    assert [entry.name for entry in scan.parent.iterdir()] == ["scan.stl"]
    assert digest(scan) == before


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_an_answer_that_cannot_be_written(tmp_path: Path) -> None:
    scan = scan_in(tmp_path)
    with Path("/dev/full").open("w") as full:
        done = program("inspect", scan, "--json", capture_output=False, stdout=full,
                       stderr=subprocess.PIPE)  # fmt: skip
    assert done.returncode in (1, 2)
    assert_words(done.stderr, "No space left on device")


def test_a_pipe_that_nobody_reads(tmp_path: Path) -> None:
    scan = scan_in(tmp_path)
    for arguments in (["inspect", str(scan)], ["inspect", str(scan), "--json"], ["schema"]):
        reading, writing = os.pipe()
        os.close(reading)
        done = program(*arguments, capture_output=False, stdout=writing, stderr=subprocess.PIPE)
        os.close(writing)
        assert done.returncode == 1
        assert done.stderr == ""


def test_a_build_whose_reader_has_gone_is_whole(tmp_path: Path) -> None:
    """The answer comes last: what was built stands, and the exit code says that nobody heard."""
    scan = scan_in(tmp_path)
    reading, writing = os.pipe()
    os.close(reading)
    done = program("build", scan, *FIXED, "--out", tmp_path / "b", capture_output=False,
                   stdout=writing, stderr=subprocess.PIPE)  # fmt: skip
    os.close(writing)
    assert (done.returncode, done.stderr) == (1, "")
    summary = json.loads((tmp_path / "b" / "summary.json").read_text("utf-8"))
    assert summary["model"]["closed"]
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["b", "scan.stl"]


@pytest.mark.long
@pytest.mark.skipif(sys.platform != "linux", reason="address space is limited as Linux does")
@pytest.mark.parametrize("limit_mb", [700, 1000])
def test_too_little_memory(tmp_path: Path, limit_mb: int) -> None:
    """From too little for the rays to what a small build may just need. Under about 500 MB the
    linear algebra of numpy may end the process itself, with its own words.
    """
    scan = scan_in(tmp_path)
    before = digest(scan)

    def little() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (limit_mb << 20, limit_mb << 20))

    done = program("build", scan, *FIXED, "--out", tmp_path / "b", preexec_fn=little)
    assert digest(scan) == before
    names = sorted(entry.name for entry in tmp_path.iterdir())
    if done.returncode == 0:
        assert limit_mb > 700
        assert names == ["b", "scan.stl"]
        return
    assert done.returncode == 1, done.stderr
    assert_words(done.stderr, "not enough memory")
    assert names == ["scan.stl"]


@pytest.mark.parametrize("after_s", [1.0, 1.6])
def test_the_keyboard_from_outside(tmp_path: Path, after_s: float) -> None:
    """Whenever it comes, once the program speaks for itself: 130 and words, or the whole result."""
    scan = scan_in(tmp_path)
    running = subprocess.Popen(
        [sys.executable, "-c", RUN, "build", str(scan), *FIXED, "--out", str(tmp_path / "b")],
        env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    begun = time.monotonic()
    while not list(tmp_path.glob("b*")) and running.poll() is None:
        time.sleep(0.01)
    # as far into the work as its start took, or twice as far
    time.sleep((after_s - 1.0) * (time.monotonic() - begun))
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=120)
    names = sorted(entry.name for entry in tmp_path.iterdir())
    if running.returncode == 0:
        assert names == ["b", "scan.stl"]
        return
    assert running.returncode == 130
    assert said == "Stopped from the keyboard; nothing unfinished was left behind.\n"
    assert names == ["scan.stl"]
