"""Same input, same bytes out: twice in one process, in another process, on another number of cores
and with another order of hashes. What is written and what is told with ``--json`` are compared, but
for the seconds it took and the folder it went to.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest
import rounds
import trimesh
from bodies import ball_on_plate, cast_of

from blockout.cast.record import write_cast

pytestmark = pytest.mark.long

CASE = """\
schema = "blockout-case/1"

[cast]
file = "cast.ply"
arch = "lower"
"""
WRITTEN = {
    "build": ("model.stl", "model.3mf", "wax/parallel.stl", "cast.ply", "summary.json"),
    "survey": ("survey.json", "depth.ply", "lines.json"),
    "choice": ("choices.json", "choices.csv"),
    "compare": ("compare.json", "1-scan/deviation.ply"),
    "try-in": ("try_in.json", "framework.ply", "interference-01.stl"),
}
"""Some of what must be among the files that are compared."""


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> dict[str, Path]:
    """Two rounds in a process on all cores, and one in a process on one."""
    if not hasattr(os, "sched_setaffinity"):
        pytest.skip("this system does not let a process choose its cores")
    given = tmp_path_factory.mktemp("given")
    # large enough that sums over its places are shared out among threads
    body, scanned = ball_on_plate(radius_mm=18.0, equator_mm=10.0, around=48, plate_mm=24.0)
    write_cast(given / "cast.ply", cast_of(body, scanned=scanned))
    (given / "case.toml").write_text(CASE, encoding="utf-8")
    metal = trimesh.creation.box((6.0, 6.0, 3.0))
    metal.apply_translation((18.0, 0.0, 4.0))  # under the ball's equator
    metal.export(given / "framework.stl")
    every = len(os.sched_getaffinity(0))
    places = {}
    for name, count, cores, seed in (("all", 2, every, "1"), ("one", 1, 1, "2")):
        places[name] = tmp_path_factory.mktemp(name)
        command = [sys.executable, rounds.__file__, str(count), str(cores), str(places[name])]
        about = {**os.environ, "PYTHONHASHSEED": seed}
        ended = subprocess.run(
            [*command, str(given)], env=about, capture_output=True, text=True, timeout=300
        )
        assert ended.returncode == 0, ended.stderr
    return places


def _files(folder: Path) -> dict[str, bytes]:
    """What was written, by name; JSON without the seconds, and without the folder."""
    found = {}
    for file in sorted(folder.rglob("*")):
        if file.is_dir():
            continue
        content = file.read_bytes()
        if file.suffix == ".json":
            facts = json.loads(content)
            if isinstance(facts, dict):
                facts.pop("timings_s", None)
            # the order of keys counts too
            content = json.dumps(facts).replace(str(folder), "").encode()
        found[file.relative_to(folder).as_posix()] = content
    return found


def _assert_same(one: Path, other: Path, *, written: Iterable[str] = WRITTEN) -> None:
    first, second = _files(one), _files(other)
    assert list(first) == list(second)
    for folder in written:
        for name in WRITTEN[folder]:
            assert first[f"{folder}/{name}"]
    assert [name for name in first if first[name] != second[name]] == []


def test_twice_in_one_process(done: dict[str, Path]) -> None:
    _assert_same(done["all"] / "round-0", done["all"] / "round-1")


def test_in_another_process_on_one_core(done: dict[str, Path]) -> None:
    told = {
        name: json.loads((place / "told.json").read_text("utf-8")) for name, place in done.items()
    }
    assert told["one"]["cores"] == 1
    if told["all"]["cores"] > 1:
        # the libraries' own threads: with one core they start none
        assert told["one"]["threads"] < told["all"]["threads"]
    _assert_same(done["all"] / "round-0", done["one"] / "round-0")


def test_a_whole_scan_on_one_core(done: dict[str, Path]) -> None:
    _assert_same(done["all"] / "scan", done["one"] / "scan", written=["build"])


def test_a_changed_byte_would_be_seen(tmp_path: Path) -> None:
    for name, content in (("a", b"1"), ("b", b"2")):
        for folder, files in WRITTEN.items():
            for file in files:
                (tmp_path / name / folder / file).parent.mkdir(parents=True, exist_ok=True)
                text = b'{"k": %s, "timings_s": %s}' % (b"1", content)
                (tmp_path / name / folder / file).write_bytes(
                    text if file.endswith(".json") else b"same"
                )
    _assert_same(tmp_path / "a", tmp_path / "b")
    (tmp_path / "b" / "build" / "model.stl").write_bytes(b"sane")
    with pytest.raises(AssertionError, match="model"):
        _assert_same(tmp_path / "a", tmp_path / "b")
