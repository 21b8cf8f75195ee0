"""Every command on every kind of bad input: words, exit code 2, nothing written."""

import errno
import os
import shutil
import time

import numpy as np
import pytest
from command_line import CALLS, FIXED, SCAN, SPHERE, document, refused, run

from blockout.kernel.files import read_mesh_file, write_ply, write_stl
from blockout.mesh import Mesh, joined, solidity


def _stl(mesh):
    def make(path):
        write_stl(path, mesh)

    return make


def _text(content):
    return lambda path: path.write_bytes(content)


def _cut_off(path):
    path.write_bytes(SPHERE.read_bytes()[:-1234])


def _with_coordinate(value):
    def make(path):
        content = bytearray(SPHERE.read_bytes())
        content[96:100] = np.float32(value).tobytes()
        path.write_bytes(bytes(content))

    return make


def _sphere():
    file = read_mesh_file(SPHERE)
    return Mesh(file.vertices, file.faces)


ONE_TRIANGLE = Mesh([[0, 0, 0], [40, 0, 0], [0, 50, 0]], [[0, 1, 2]])
NOTHING = b"\0" * 84
BAD_FILES = {
    "empty": _text(b""),
    "cut off": _cut_off,
    "words": _text(b"Dear technician, please find the scan attached.\n" * 50),
    "noise": _text(np.random.default_rng(1).bytes(5000)),
    "not a number": _with_coordinate(np.nan),
    "infinite": _with_coordinate(np.inf),
    "no triangles": _text(NOTHING),
    "one triangle": _stl(ONE_TRIANGLE),
}


@pytest.mark.parametrize("command", CALLS)
@pytest.mark.parametrize("kind", BAD_FILES)
def test_a_file_that_cannot_be_used(tmp_path, command, kind):
    bad = tmp_path / "scan.stl"
    BAD_FILES[kind](bad)
    if (command, kind) == ("inspect", "one triangle"):
        assert run("inspect", bad, "--unit", "mm").exit_code == 0
        return
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    words = "triangle" if kind == "one triangle" else "scan.stl"
    assert words in refused(out, command, bad, "--unit", "mm", *options)


@pytest.mark.parametrize("ending", ["stl", "ply", "obj", "off", "3mf", "glb", "gltf", "xyz"])
@pytest.mark.parametrize("content", [b"", b"not a mesh\n"])
def test_every_reader_refuses_what_is_no_mesh(tmp_path, ending, content):
    bad = tmp_path / f"scan.{ending}"
    bad.write_bytes(content)
    out = tmp_path / "out"
    assert f"scan.{ending}" in refused(out, "prepare", bad, "--out", out / "c.ply")


@pytest.mark.parametrize("command", CALLS)
def test_a_file_that_is_not_there(tmp_path, command):
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    assert "nowhere.stl" in refused(out, command, tmp_path / "nowhere.stl", *options)


@pytest.mark.parametrize("command", CALLS)
def test_a_folder_is_no_scan(tmp_path, command):
    (tmp_path / "scan.stl").mkdir()
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    refused(out, command, tmp_path / "scan.stl", *options)


def test_an_inverted_mesh_is_turned_and_said(tmp_path):
    inverted = tmp_path / "scan.ply"
    write_ply(inverted, _sphere().reversed())
    result = run("prepare", inverted, *FIXED, "--out", tmp_path / "c.ply")
    assert result.exit_code == 0, result.stderr
    assert "turned" in result.stdout.lower() or "inside out" in result.stdout.lower()
    file = read_mesh_file(tmp_path / "c.ply")
    assert solidity(Mesh(file.vertices, file.faces)).is_solid


def test_a_mesh_in_metres(tmp_path, open_scan_facts):
    small = tmp_path / "scan.obj"  # a format that states no unit
    file = read_mesh_file(SCAN)
    vertices = [f"v {x:.9f} {y:.9f} {z:.9f}" for x, y, z in file.vertices * 0.001]
    small.write_text("\n".join([*vertices, *(f"f {a} {b} {c}" for a, b, c in file.faces + 1)]))
    # an arch of 0.068 can only be metres
    facts = document("inspect", small)
    assert (facts["unit"], facts["unit_from"]) == ("m", "read from the size")
    assert facts["mesh"]["size_mm"] == pytest.approx(open_scan_facts["mesh"]["size_mm"], abs=1e-5)
    assert "--unit" in refused(
        tmp_path / "out", "prepare", small, "--unit", "mm", "--out", tmp_path / "out/c.ply"
    )


def test_a_heap_of_crossing_triangles_is_refused_in_time(tmp_path):
    """A quarter of a million faces at random; the full million takes no other way, only longer."""
    heap = tmp_path / "scan.ply"
    random = np.random.default_rng(5)
    corners = random.uniform(0.0, 60.0, (250_000, 1, 3)) + random.normal(0, 1, (250_000, 3, 3))
    write_ply(heap, Mesh(corners.reshape(-1, 3), np.arange(750_000).reshape(-1, 3)))
    began = time.monotonic()
    refused(tmp_path / "out", "prepare", heap, "--out", tmp_path / "out/c.ply")
    assert time.monotonic() - began < 60.0


@pytest.mark.parametrize(
    ("command", "options", "words"),
    [
        ("survey", ["--tilt", "95,0"], "anterior"),
        ("survey", ["--tilt", "0,95"], "lateral"),
        ("survey", ["--tilt", "31,0"], "raise the limit with --max-tilt."),
        ("survey", ["--tilt", "20,20", "--max-tilt", "25"], "--max-tilt"),
        ("survey", ["--tilt", "nan,0"], "--tilt"),
        ("survey", ["--direction", "0,0,0"], "--direction"),
        ("survey", ["--direction", "0,0,-1"], "degrees"),
        ("survey", ["--gauge", "deep"], "--gauge"),
        ("survey", ["--noise-depth", "3"], "--noise-depth"),
        ("build", ["--tilt", "95,0"], "anterior"),
        ("build", ["--taper", "11"], "--taper"),
        ("build", ["--taper", "-1"], "--taper"),
        ("build", ["--floor", "inf"], "--floor"),
        ("build", ["--keep-in", "nowhere.txt"], "nowhere.txt"),
        ("build", ["--unit", "furlong"], "--unit"),
        ("build", ["--up", "up"], "--up"),
        ("build", ["--arch", "both"], "--arch"),
        ("prepare", ["--land", "0"], "--land"),
        ("prepare", ["--base-thickness", "200 mm"], "--base-thickness"),
        ("prepare", ["--base-height", "101"], "allowed 0 to 100 mm"),
        ("survey", ["--base-height", "-1"], "--base-height"),
        ("build", ["--base-height", "high"], "--base-height"),
    ],
)
def test_an_option_that_cannot_be_used(cast_file, tmp_path, command, options, words):
    out = tmp_path / "out"
    call = [part.format(out=out) for part in CALLS[command]]
    assert words in refused(out, command, cast_file, *call, *options)


@pytest.mark.parametrize("command", ["survey", "build"])
@pytest.mark.parametrize(
    ("options", "limit"),
    [
        (["--tilt", "95,0"], "95.00 degrees, limit 30: allowed -30 to 30"),
        (["--tilt", "0,-95"], "-95.00 degrees, limit 30: allowed -30 to 30"),
        (["--tilt", "95,0", "--max-tilt", "45"], "95.00 degrees, limit 45: allowed -45 to 45"),
    ],
)
def test_a_tilt_too_far_is_told_the_limit_that_applies(
    cast_file, tmp_path, command, options, limit
):
    words = refused(tmp_path / "out", command, cast_file, *options, "--out", tmp_path / "out")
    assert f"measured: {limit}\n" in words
    assert "-90" not in words
    assert "--max-tilt raises the limit to 60 at most." in words


def test_a_tilt_too_far_for_its_case_file_is_told_that_limit(cast_file, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(
        f'schema = "blockout-case/1"\n[cast]\nfile = "{cast_file.as_posix()}"\n'
        "[path]\nmax_tilt_deg = 12.5\n"
    )
    words = refused(tmp_path / "out", "build", case, "--tilt", "4,13", "--out", tmp_path / "out")
    assert "measured: 13.00 degrees, limit 12.5: allowed -12.5 to 12.5\n" in words


@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_crowns_without_tissue_are_refused_with_the_name_of_their_file(tmp_path, command):
    one, two = _sphere(), _sphere().moved(np.eye(4) + np.eye(4, k=3) * 30.0)
    crowns = tmp_path / "crowns.stl"
    write_stl(crowns, joined([one, two]))
    out = tmp_path / "out"
    call = [part.format(out=out) for part in CALLS[command]]
    words = refused(out, command, crowns, "--unit", "mm", *call)
    assert "several solids side by side" in words
    assert "measured: 2 closed bodies\n  where: crowns.stl\n" in words


@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_a_place_that_cannot_be_written(tmp_path, command):
    (tmp_path / "out").write_text("a file where a folder should be")
    call = [part.format(out=tmp_path / "out") for part in CALLS[command]]
    result = run(command, SPHERE, *FIXED, *call)
    assert result.exit_code == 2
    assert "Traceback" not in result.stderr
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["out"]


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is forbidden to the superuser")
@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_a_folder_that_may_not_be_written(tmp_path, command):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    call = [part.format(out=locked / "out") for part in CALLS[command]]
    assert "ermission" in refused(locked, command, SPHERE, *FIXED, *call)


@pytest.mark.parametrize("command", ["survey", "build"])
def test_a_folder_with_other_files_is_left_alone(cast_file, tmp_path, command):
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    result = run(command, cast_file, "--out", out)
    assert result.exit_code == 2
    assert "letter.txt" in result.stderr
    assert (out / "letter.txt").read_text() == "mine"
    assert [entry.name for entry in out.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_a_full_disk(tmp_path, monkeypatch, command):
    def full(*arguments):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    out = tmp_path / "out"
    call = [part.format(out=out) for part in CALLS[command]]
    assert "space" in refused(out, command, SPHERE, *FIXED, *call)


def test_a_cast_is_not_written_over_the_scan_it_came_from(tmp_path):
    scan = tmp_path / "scan.stl"
    shutil.copy(SPHERE, scan)
    (tmp_path / "same.ply").symlink_to(scan)
    for out in (scan, tmp_path / "same.ply"):
        result = run("prepare", scan, *FIXED, "--out", out)
        assert result.exit_code == 2
        assert "never changed" in result.stderr
        assert scan.read_bytes() == SPHERE.read_bytes()


@pytest.mark.parametrize("content", [None, "", "schema = 3", "[cast\n", 'file = "a.stl"'])
def test_a_case_file_that_cannot_be_used(tmp_path, content):
    case = tmp_path / "case.toml"
    if content is not None:
        case.write_text(content)
    assert "case.toml" in refused(tmp_path / "out", "build", case, "--out", tmp_path / "out")


@pytest.mark.parametrize("folder", ["nowhere", "empty"])
def test_export_of_what_was_not_built(tmp_path, folder):
    (tmp_path / "empty").mkdir()
    out = tmp_path / "out"
    refused(out, "export", tmp_path / folder, "--out", out / "m.stl")
