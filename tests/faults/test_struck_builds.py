"""Builds killed, interrupted and shut out at every stage: the older results or the new ones stand,
never half of either, and the scan is as it was.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from staged import held_in
from struck import (
    FIXED,
    LEFT_BY_A_KILL,
    RUN,
    assert_words,
    build_order,
    digest,
    environment,
    program,
    scan_in,
    staged,
)

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork on this system")

WRITING = ("fsync 1", "fsync 9", "rename 1", "unlink 1", "unlink 4", "rename 2")
"""Files to the disk; the older folder out of the way; its removal; the new one in its place."""


def results(held: dict[str, str], folder: str = "b") -> dict[str, str]:
    """The files of one folder; the summary holds the seconds taken and is left out."""
    inside = {name: sha for name, sha in held.items() if name.split("/")[0] == folder}
    return {
        name.split("/", 1)[1]: sha for name, sha in inside.items() if not name.endswith(".json")
    }


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """Results at two tapers, undisturbed; and which stages a build tells."""
    place = tmp_path_factory.mktemp("both")
    scan = scan_in(place / "in")
    one, other = staged(
        [
            build_order(scan, place / "one" / "b"),
            build_order(scan, place / "one" / "b", "--taper", "3"),
        ],
        place,
    )
    assert (one["code"], other["code"]) == (0, 0), one["stderr"] + other["stderr"]
    old, new = results(one["held"]), results(other["held"])
    assert old.keys() == new.keys() >= {"model.stl", "model.3mf", "cast.ply", "wax/parallel.stl"}
    assert old["model.stl"] != new["model.stl"]
    assert old["cast.ply"] == new["cast.ply"]
    assert set(WRITING) <= set(other["moments"])
    calls = {moment.split()[0] for moment in WRITING}
    stages = dict.fromkeys(each for each in other["moments"] if each.split()[0] not in calls)
    assert {"reading the file", "joining cast and wax", "writing files"} < set(stages)
    return {"old": old, "new": new, "stages": list(stages)}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, both: dict[str, Any]) -> Path:
    """A scan and older results beside it, as a laboratory's folder holds them."""
    place = tmp_path_factory.mktemp("desk")
    scan = scan_in(place / "case")
    (told,) = staged([build_order(scan, place / "case" / "b")], place)
    assert told["code"] == 0
    return place


@pytest.mark.long
def test_a_build_killed_at_any_stage_leaves_old_or_new_whole(
    desk: Path, both: dict[str, Any], tmp_path: Path
) -> None:
    place = tmp_path / "case"
    shutil.copytree(desk / "case", place)
    scan = place / "scan.stl"
    before = digest(scan)
    moments = (*both["stages"], *WRITING)
    struck = [
        build_order(scan, place / "b", "--taper", "3", stroke="kill", at=moment)
        for moment in moments
    ]
    *told, last = staged([*struck, build_order(scan, place / "b", "--taper", "3")], tmp_path)
    standing = both["old"]
    for moment, each in zip(moments, told, strict=True):
        assert each["code"] == -9, moment
        held = each["held"]
        assert held["scan.stl"] == before
        there = results(held)
        beside = {name.split("/")[0] for name in held} - {"scan.stl", "b"}
        assert all(LEFT_BY_A_KILL.fullmatch(name) for name in beside), (moment, beside)
        assert each["stdout"] == ""
        if moment == "rename 2":
            # the only moment without a folder: both lie whole beside it, under names that say so
            wholes = [results(held, name) for name in beside]
            assert both["old"] in wholes
            assert both["new"] in wholes
            standing = {}  # and the next build puts its own there
        if moment.startswith("unlink"):
            standing = both["new"]
        assert there == standing, moment
    assert last["code"] == 0, last["stderr"]
    assert results(last["held"]) == both["new"]


def test_a_first_build_killed_leaves_nothing_under_its_name(tmp_path: Path) -> None:
    scan = scan_in(tmp_path / "case")
    moments = ("reading the file", "writing files", "drawing pictures", "fsync 5")
    told = staged(
        [build_order(scan, tmp_path / "case" / "b", stroke="kill", at=m) for m in moments],
        tmp_path,
    )
    for each in told:
        assert each["code"] == -9
        assert results(each["held"]) == {}
        names = {name.split("/")[0] for name in each["held"]} - {"scan.stl"}
        assert all(LEFT_BY_A_KILL.fullmatch(name) for name in names)


@pytest.mark.long
def test_an_interruption_at_any_stage_is_told_and_leaves_nothing(
    desk: Path, both: dict[str, Any], tmp_path: Path
) -> None:
    place = tmp_path / "case"
    shutil.copytree(desk / "case", place)
    scan = place / "scan.stl"
    moments = (*both["stages"], *WRITING)
    told = staged(
        [
            build_order(scan, place / "b", "--taper", "3", stroke="interrupt", at=moment)
            for moment in moments
        ],
        tmp_path,
    )
    new = False
    for moment, each in zip(moments, told, strict=True):
        assert each["code"] == 130, (moment, each)
        assert each["stderr"] == (
            "Stopped from the keyboard; nothing unfinished was left behind.\n"
        ), moment
        assert each["stdout"] == ""
        # once the swap has begun it is carried to its end
        new = new or moment.split()[0] in ("rename", "unlink")
        assert results(each["held"]) == both["new" if new else "old"], moment
        assert {name.split("/")[0] for name in each["held"]} == {"scan.stl", "b"}, moment


@pytest.mark.parametrize("name", ["scan.stl", "scan.ply"])
def test_a_scan_that_is_saved_over_meanwhile(tmp_path: Path, name: str) -> None:
    """What was read counts: the results are of the bytes whose digest they carry."""
    scan = scan_in(tmp_path / "case", name)
    first = scan.read_bytes()
    shorter = tmp_path / "shorter"
    shorter.write_bytes(first[: len(first) // 2])
    quiet, struck = staged(
        [
            build_order(scan, tmp_path / "case" / "b"),
            build_order(scan, tmp_path / "case" / "b", stroke=str(shorter), at="finding ceilings"),
        ],
        tmp_path,
    )
    assert struck["code"] == 0, struck["stderr"]
    assert scan.read_bytes() == shorter.read_bytes()
    assert results(struck["held"]) == results(quiet["held"])
    summary = json.loads((tmp_path / "case" / "b" / "summary.json").read_text("utf-8"))
    assert summary["cast"]["source_sha256"] == hashlib.sha256(first).hexdigest()


@pytest.mark.long
@pytest.mark.skipif(
    not hasattr(os, "setuid") or os.geteuid() != 0, reason="only the super-user becomes another"
)
def test_permission_lost_before_or_during_a_build() -> None:
    """As a user with no rights: a scan not to be read, a folder not to be written, and one that is
    shut while the build runs.
    """
    with tempfile.TemporaryDirectory() as name:
        top = Path(name)
        top.chmod(0o755)
        nobody = 65534

        def given_away(*paths: Path) -> None:
            for path in paths:
                os.chown(path, nobody, nobody)

        secret, locked, open_, shut = (top / word for word in ("secret", "locked", "open", "shut"))
        scans = {word: scan_in(word) for word in (secret, locked, open_, shut)}
        scans[secret].chmod(0)
        given_away(secret, open_, shut)
        desk = top / "desk"
        desk.mkdir()
        given_away(desk)
        at = ("checking the model", "fsync 3")
        orders = [build_order(scans[word], word / "b") for word in (secret, locked, open_)]
        told = staged(orders, desk, user=nobody)
        assert [each["code"] for each in told] == [2, 2, 0], [each["stderr"] for each in told]
        assert_words(told[0]["stderr"], "read", "scan.stl")
        assert_words(told[1]["stderr"], "permission denied", "--out")
        assert not (secret / "b").exists()
        assert sorted(entry.name for entry in locked.iterdir()) == ["scan.stl"]
        for moment in at:
            (lost,) = staged(
                [build_order(scans[shut], shut / "b", stroke="shut", at=moment)], desk, user=nobody
            )
            assert lost["code"] == 2, lost
            assert_words(lost["stderr"], "permission denied", "--out")
            assert not (shut / "b").exists()
            shut.chmod(0o755)
            for left in shut.glob("b.unfinished-*"):
                # nobody may remove a name from a folder that was shut; what is in it is gone
                assert not any(left.rglob("*"))
                left.rmdir()


@pytest.mark.long
def test_two_builds_into_one_folder_leave_one_of_them_whole(
    both: dict[str, Any], tmp_path: Path
) -> None:
    scan = scan_in(tmp_path / "case")
    out = tmp_path / "case" / "b"
    calls = [
        [sys.executable, "-c", RUN, "build", str(scan), *FIXED, "--out", str(out), *more]
        for more in ((), ("--taper", "3"))
    ]
    running = [
        subprocess.Popen(call, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        for call in calls
    ]
    said = [each.communicate(timeout=120)[1] for each in running]
    assert [each.returncode for each in running] == [0, 0], said
    held = held_in(tmp_path / "case")
    assert results(held) in (both["old"], both["new"])
    assert {name.split("/")[0] for name in held} == {"scan.stl", "b"}
    assert program("export", out, "--out", tmp_path / "m.stl").returncode == 0
