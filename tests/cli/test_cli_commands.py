"""Every command on a small cast, as a user runs it, and every kind of bad input.

The cast is the sphere on a plate of ``sample_meshes``: quick, and known by closed form.
"""

import errno
import json
import math
import os
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import lib3mf
import numpy as np
import pytest
from typer.testing import CliRunner

import blockout
from blockout.kernel.files import read_mesh_file, write_ply, write_stl
from blockout.mesh import Mesh, solidity
from blockout.report.facts import missing_keys

pytest.importorskip("blockout.job", reason="the order of the steps, blockout.job, is not there yet")

from blockout.cli.main import app

SAMPLES = Path(__file__).parents[2] / "sample_meshes"
SPHERE = SAMPLES / "sphere_on_plate.stl"
SCAN = SAMPLES / "lower_scan.stl"
FIXED = ("--unit", "mm", "--up", "+z", "--front", "+y")
PICTURES = ("occlusal", "front", "back", "left", "right")
CALLS = {
    "inspect": (),
    "prepare": ("--out", "{out}/cast.ply"),
    "survey": ("--out", "{out}/s"),
    "build": ("--out", "{out}/b"),
}


def _run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"BLOCKOUT_DEBUG": None})


def _document(*arguments):
    result = _run(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def _refused(out, *arguments, code=2):
    """Run a call that must fail: words on stderr, no traceback, nothing written."""
    result = _run(*arguments)
    assert result.exit_code == code, result.output
    assert result.stdout == ""
    assert result.stderr.strip()
    assert "Traceback" not in result.stderr
    assert "fault of blockout" not in result.stderr
    assert not out.exists() or not any(out.iterdir())
    return result.stderr


@pytest.fixture(scope="module")
def cast_file(tmp_path_factory):
    out = tmp_path_factory.mktemp("cast") / "cast.ply"
    result = _run("prepare", SPHERE, "--out", out, *FIXED)
    assert result.exit_code == 0, result.stderr
    return out


@pytest.fixture(scope="module")
def built(tmp_path_factory, cast_file):
    out = tmp_path_factory.mktemp("built") / "b"
    result = _run("build", cast_file, "--tilt", "4,-2", "--out", out)
    assert result.exit_code == 0, result.stderr
    return out


# --- as it should go -----------------------------------------------------------------------------
def test_inspect():
    said = _run("inspect", SPHERE, "--unit", "mm")
    assert said.exit_code == 0, said.stderr
    assert "triangles" in said.stdout
    assert "It is a solid." in said.stdout
    facts = _document("inspect", SPHERE, "--unit", "mm")
    file = read_mesh_file(SPHERE)
    assert facts["mesh"]["triangles"] == len(file.faces)
    assert facts["mesh"]["closed"] is True
    assert facts["source_sha256"] == file.sha256


def test_inspect_says_what_is_wrong_with_an_open_scan():
    said = _run("inspect", SCAN)
    assert said.exit_code == 0, said.stderr
    assert "boundary loop" in said.stdout
    assert "not a solid" in said.stdout
    loops = _document("inspect", SCAN)["mesh"]["boundary_loops"]
    assert loops["count"] >= 1


def test_prepare_passes_a_closed_cast_through(cast_file, tmp_path):
    facts = _document("prepare", SPHERE, "--out", tmp_path / "c.ply", *FIXED)
    assert facts["cast"]["closed"] is True
    assert facts["cast"]["triangles"] == len(read_mesh_file(SPHERE).faces)
    assert [entry.name for entry in tmp_path.iterdir()] == ["c.ply"]
    again = _run("prepare", SPHERE, "--out", tmp_path / "c.ply", *FIXED)
    assert again.exit_code == 0
    assert "Written to" in again.stdout
    assert f"{len(read_mesh_file(SPHERE).faces):,} triangles" in again.stdout


def test_survey_writes_facts_mesh_and_pictures(cast_file, tmp_path):
    out = tmp_path / "s"
    said = _run("survey", cast_file, "--tilt", "0,0", "--out", out)
    assert said.exit_code == 0, said.stderr
    for words in ("Path: anterior tilt 0.00 deg", "mm3", "mm2", "Survey line", "(assumed"):
        assert words in said.stdout
    names = {entry.name for entry in out.iterdir()}
    pictures = {f"{view}.png" for view in PICTURES}
    assert names == {"survey.json", "depth.ply", "lines.json", *pictures}
    facts = json.loads((out / "survey.json").read_text())
    assert facts["undercut"]["volume_mm3"] > 0.0
    depth = read_mesh_file(out / "depth.ply").vertex_fields["depth_mm"]
    assert np.max(depth) == pytest.approx(facts["undercut"]["max_depth_mm"], abs=1e-5)


def test_the_tilt_and_its_direction_are_the_same_path(cast_file, tmp_path):
    tilted = _document("survey", cast_file, "--tilt", "-8,6", "--out", tmp_path / "a")
    assert json.loads((tmp_path / "a/survey.json").read_text()) == tilted
    direction = ",".join(repr(part) for part in tilted["path"]["direction"])
    said = _document("survey", cast_file, "--direction", direction, "--out", tmp_path / "b")
    for key in ("anterior_tilt_deg", "lateral_tilt_deg", "direction"):
        assert said["path"][key] == pytest.approx(tilted["path"][key], abs=1e-9)
    assert said["undercut"]["volume_mm3"] == pytest.approx(
        tilted["undercut"]["volume_mm3"], rel=1e-6
    )


def test_build_keeps_the_output_contract(built):
    summary = json.loads((built / "summary.json").read_text())
    assert missing_keys(summary) == ()
    files = sorted(str(f.relative_to(built)) for f in built.rglob("*") if f.is_file())
    parts = [f"wax/{part['name']}.stl" for part in summary["parts"] if part["triangles"]]
    pictures = [f"pictures/{view}.png" for view in PICTURES]
    singles = ["cast.ply", "model.3mf", "model.stl", "summary.json"]
    assert files == sorted([*singles, *parts, *pictures])
    assert summary["path"]["anterior_tilt_deg"] == pytest.approx(4.0, abs=1e-9)
    assert summary["path"]["lateral_tilt_deg"] == pytest.approx(-2.0, abs=1e-9)
    # inclusion and exclusion: cast and wax touch without overlapping
    wax = math.fsum(part["volume_mm3"] for part in summary["parts"])
    whole = summary["cast"]["volume_mm3"] + wax
    assert summary["model"]["volume_mm3"] == pytest.approx(whole, rel=1e-6)


def test_build_from_a_case_file_is_build_from_its_options(cast_file, tmp_path):
    shutil.copy(cast_file, tmp_path / "cast.ply")
    case = tmp_path / "case.toml"
    case.write_text(
        'schema = "blockout-case/1"\n[cast]\nfile = "cast.ply"\n'
        "[path]\nanterior_tilt_deg = 4\nlateral_tilt_deg = -2\n[parallel]\ntaper_deg = 4\n"
    )
    one = _document("build", case, "--out", tmp_path / "one")
    two = _document("build", cast_file, "--tilt", "4,-2", "--taper", "4", "--out", tmp_path / "two")
    over = _document("build", case, "--taper", "0", "--out", tmp_path / "three")
    assert one["model"] == two["model"]
    # law: more taper never gives less wax
    assert over["parts"][0]["volume_mm3"] < one["parts"][0]["volume_mm3"]


def test_a_path_along_which_nothing_is_undercut_is_no_error(tmp_path):
    cone = tmp_path / "block.stl"
    corners = np.array([[-20, -30, 0], [20, -30, 0], [20, 30, 0], [-20, 30, 0]], dtype=float)
    top = corners * (0.8, 0.8, 1.0) + (0.0, 0.0, 12.0)
    faces = [(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7)]
    for k in range(4):
        n = (k + 1) % 4
        faces += [(k, n, 4 + n), (k, 4 + n, 4 + k)]
    write_stl(cone, Mesh(np.concatenate([corners, top]), faces))
    said = _run("build", cone, *FIXED, "--out", tmp_path / "b")
    assert said.exit_code == 0, said.stderr
    assert "nothing to fill along this path" in said.stdout
    summary = json.loads((tmp_path / "b/summary.json").read_text())
    assert summary["undercut"]["volume_mm3"] == 0.0
    assert [part["volume_mm3"] for part in summary["parts"]] == [0.0]


@pytest.mark.parametrize("form", ["stl", "ply", "3mf", "glb"])
def test_export(built, tmp_path, form):
    out = tmp_path / f"m.{form}"
    facts = _document("export", built, "--format", form, "--out", out)
    summary = json.loads((built / "summary.json").read_text())
    # single precision of the formats: 24 bits over some 40 mm
    assert facts["model"]["volume_mm3"] == pytest.approx(summary["model"]["volume_mm3"], rel=1e-5)
    file = read_mesh_file(out)
    assert len(file.faces) >= facts["model"]["triangles"]
    assert [entry.name for entry in tmp_path.iterdir()] == [out.name]


def test_the_demo_keeps_the_whole_output_contract(tmp_path):
    """The one long run here: a scan of the project's own making, from its STL to its 3MF."""
    out = tmp_path / "out"
    said = _run("demo", "--out", out)
    assert said.exit_code == 0, said.stderr
    for words in ("Cast:", "Path:", "Undercut:", "Wax parallel", "Model:", "closed", "Written to"):
        assert words in said.stdout
    summary = json.loads((out / "build/summary.json").read_text())
    assert missing_keys(summary) == ()
    parts = {part["name"]: part for part in summary["parts"] if part["triangles"]}
    assert parts["parallel"]["kind"] == "parallel"
    assert {part["kind"] for part in parts.values()} <= {"parallel", "arbitrary"}
    build = ["cast.ply", "model.3mf", "model.stl", "summary.json"]
    build += [f"wax/{name}.stl" for name in parts]
    survey = ["depth.ply", "lines.json", "survey.json"]
    files = [str(f.relative_to(out)) for f in out.rglob("*") if f.is_file()]
    assert sorted(files) == sorted([
        "scan.stl", "case.toml", "cast.ply", "model.3mf",
        *(f"build/{name}" for name in build),
        *(f"build/pictures/{view}.png" for view in PICTURES),
        *(f"survey/{name}" for name in survey), *(f"survey/{view}.png" for view in PICTURES),
    ])  # fmt: skip

    cast, model = summary["cast"], summary["model"]
    assert [body["closed"] for body in (cast, model, *parts.values())] == [True] * (2 + len(parts))
    assert parts["parallel"]["volume_mm3"] > 1.0
    # inclusion and exclusion: cast and wax touch without overlapping
    whole_mm3 = math.fsum(body["volume_mm3"] for body in (cast, *parts.values()))
    assert model["volume_mm3"] == pytest.approx(whole_mm3, rel=1e-6)
    # the files hold what the summary says; an STL's corners are joined where they are the same
    for name, facts in (("model", model), *((f"wax/{name}", part) for name, part in parts.items())):
        triangles, volume_mm3 = _closed_stl(out / f"build/{name}.stl")
        assert triangles == facts["triangles"]
        assert volume_mm3 == pytest.approx(facts["volume_mm3"], rel=1e-5)
    cast_file = read_mesh_file(out / "build/cast.ply")
    cast_mesh = Mesh(cast_file.vertices, cast_file.faces)
    assert solidity(cast_mesh).reasons() == ()
    assert cast_mesh.triangle_count == cast["triangles"]
    assert cast_mesh.volume_mm3 == pytest.approx(cast["volume_mm3"], rel=1e-12)
    assert cast["source_sha256"] == read_mesh_file(out / "scan.stl").sha256
    assert 0 < cast_file.face_fields["scanned"].sum() < cast["triangles"]

    tilt = {key: summary["path"][f"{key}_tilt_deg"] for key in ("anterior", "lateral")}
    for file in (out / "build/model.3mf", out / "model.3mf"):
        _assert_3mf(file, summary)
    case = tomllib.loads((out / "case.toml").read_text())
    assert tilt == pytest.approx({key: case["path"][f"{key}_tilt_deg"] for key in tilt}, abs=1e-9)


def _closed_stl(path):
    """Triangles and volume, read by numpy alone; each edge must run once each way."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")])
    corners = np.fromfile(path, dtype=record, offset=84)["corners"] + np.float32(0.0)
    keys = np.ascontiguousarray(corners.reshape(-1, 3)).view("V12").reshape(-1)
    names = np.unique(keys, return_inverse=True)[1].reshape(-1, 3)
    edges = {edge for a, b, c in names.tolist() for edge in ((a, b), (b, c), (c, a))}
    assert len(edges) == 3 * len(names)
    assert {(b, a) for a, b in edges} == edges
    corners = corners.astype(np.float64) - corners.mean(axis=(0, 1))
    return len(names), float(np.linalg.det(corners).sum() / 6.0)


def _assert_3mf(path, summary):
    """In the eyes of lib3mf, strictly: named closed objects, millimetres, path and version."""
    model = lib3mf.get_wrapper().CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    group = model.GetMetaDataGroup()
    held = [group.GetMetaData(k) for k in range(group.GetMetaDataCount())]
    said = {entry.GetName(): entry.GetValue() for entry in held}
    assert said["Application"] == f"blockout {blockout.__version__}"
    for key in ("anterior_tilt_deg", "lateral_tilt_deg"):
        assert float(said[key]) == summary["path"][key]
    direction = [float(part) for part in said["path_direction"].split()]
    assert direction == summary["path"]["direction"]
    assert said["source_sha256"] == summary["cast"]["source_sha256"]
    assert said["coordinates"] == "scan"
    objects, found = model.GetMeshObjects(), {}
    while objects.MoveNext():
        entry = objects.GetCurrentMeshObject()
        assert entry.IsManifoldAndOriented()
        found[entry.GetName()] = entry.GetTriangleCount()
    parts = {part["name"]: part["triangles"] for part in summary["parts"] if part["triangles"]}
    assert found == {"cast": summary["cast"]["triangles"], **parts}


def test_export_in_the_casts_frame_lies_level(built, tmp_path):
    _document("export", built, "--frame", "cast", "--out", tmp_path / "m.stl")
    summary = json.loads((built / "summary.json").read_text())
    file = read_mesh_file(tmp_path / "m.stl")
    assert file.vertices[:, 2].min() == pytest.approx(summary["cast"]["floor_mm"], abs=1e-4)


def test_a_real_process_prints_only_json_on_stdout():
    script = "from blockout.cli.main import run; run()"
    done = subprocess.run(
        [sys.executable, "-c", script, "inspect", str(SPHERE), "--unit", "mm", "--json"],
        capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    assert json.loads(done.stdout)["mesh"]["closed"] is True
    assert done.stderr == ""


READY = """
import os
from blockout import job
build_case = job.build_case
def told(*arguments, **options):
    os.write(2, b"ready\\n")
    return build_case(*arguments, **options)
job.build_case = told
from blockout.cli.main import run
run()
"""


def test_ctrl_c_leaves_nothing_and_ends_with_130(tmp_path):
    with subprocess.Popen(
        [sys.executable, "-c", READY, "build", str(SCAN), "--out", str(tmp_path / "b")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as running:  # fmt: skip
        assert running.stderr.readline() == "ready\n"
        time.sleep(0.3)
        running.send_signal(signal.SIGINT)
        said, complaint = running.communicate(timeout=60)
    assert running.returncode == 130
    assert said == ""
    assert "Stopped from the keyboard" in complaint
    assert "Traceback" not in complaint
    assert list(tmp_path.iterdir()) == []


# --- bad input -----------------------------------------------------------------------------------
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
        assert _run("inspect", bad, "--unit", "mm").exit_code == 0
        return
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    words = "triangle" if kind == "one triangle" else "scan.stl"
    assert words in _refused(out, command, bad, "--unit", "mm", *options)


@pytest.mark.parametrize("ending", ["stl", "ply", "obj", "off", "3mf", "glb", "gltf", "xyz"])
@pytest.mark.parametrize("content", [b"", b"not a mesh\n"])
def test_every_reader_refuses_what_is_no_mesh(tmp_path, ending, content):
    bad = tmp_path / f"scan.{ending}"
    bad.write_bytes(content)
    out = tmp_path / "out"
    assert f"scan.{ending}" in _refused(out, "prepare", bad, "--out", out / "c.ply")


@pytest.mark.parametrize("command", CALLS)
def test_a_file_that_is_not_there(tmp_path, command):
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    assert "nowhere.stl" in _refused(out, command, tmp_path / "nowhere.stl", *options)


@pytest.mark.parametrize("command", CALLS)
def test_a_folder_is_no_scan(tmp_path, command):
    (tmp_path / "scan.stl").mkdir()
    out = tmp_path / "out"
    options = [part.format(out=out) for part in CALLS[command]]
    _refused(out, command, tmp_path / "scan.stl", *options)


def test_an_inverted_mesh_is_turned_and_said(tmp_path):
    inverted = tmp_path / "scan.ply"
    write_ply(inverted, _sphere().reversed())
    result = _run("prepare", inverted, *FIXED, "--out", tmp_path / "c.ply")
    assert result.exit_code == 0, result.stderr
    assert "turned" in result.stdout.lower() or "inside out" in result.stdout.lower()
    file = read_mesh_file(tmp_path / "c.ply")
    assert solidity(Mesh(file.vertices, file.faces)).is_solid


def test_a_mesh_in_metres(tmp_path):
    small = tmp_path / "scan.obj"  # a format that states no unit
    file = read_mesh_file(SCAN)
    vertices = [f"v {x:.9f} {y:.9f} {z:.9f}" for x, y, z in file.vertices * 0.001]
    small.write_text("\n".join([*vertices, *(f"f {a} {b} {c}" for a, b, c in file.faces + 1)]))
    # an arch of 0.068 can only be metres
    facts = _document("inspect", small)
    assert (facts["unit"], facts["unit_from"]) == ("m", "read from the size")
    assert facts["mesh"]["size_mm"] == pytest.approx(
        _document("inspect", SCAN)["mesh"]["size_mm"], abs=1e-5
    )
    assert "--unit" in _refused(
        tmp_path / "out", "prepare", small, "--unit", "mm", "--out", tmp_path / "out/c.ply"
    )


def test_a_heap_of_crossing_triangles_is_refused_in_time(tmp_path):
    """A quarter of a million faces at random; the full million takes no other way, only longer."""
    heap = tmp_path / "scan.ply"
    random = np.random.default_rng(5)
    corners = random.uniform(0.0, 60.0, (250_000, 1, 3)) + random.normal(0, 1, (250_000, 3, 3))
    write_ply(heap, Mesh(corners.reshape(-1, 3), np.arange(750_000).reshape(-1, 3)))
    began = time.monotonic()
    _refused(tmp_path / "out", "prepare", heap, "--out", tmp_path / "out/c.ply")
    assert time.monotonic() - began < 60.0


@pytest.mark.parametrize(
    ("command", "options", "words"),
    [
        ("survey", ["--tilt", "95,0"], "--tilt"),
        ("survey", ["--tilt", "0,95"], "--tilt"),
        ("survey", ["--tilt", "31,0"], "--max-tilt"),
        ("survey", ["--tilt", "20,20", "--max-tilt", "25"], "--max-tilt"),
        ("survey", ["--tilt", "nan,0"], "--tilt"),
        ("survey", ["--direction", "0,0,0"], "--direction"),
        ("survey", ["--direction", "0,0,-1"], "degrees"),
        ("survey", ["--gauge", "deep"], "--gauge"),
        ("survey", ["--noise-depth", "3"], "--noise-depth"),
        ("build", ["--tilt", "95,0"], "--tilt"),
        ("build", ["--taper", "11"], "--taper"),
        ("build", ["--taper", "-1"], "--taper"),
        ("build", ["--floor", "inf"], "--floor"),
        ("build", ["--keep-in", "nowhere.txt"], "nowhere.txt"),
        ("build", ["--unit", "furlong"], "--unit"),
        ("build", ["--up", "up"], "--up"),
        ("build", ["--arch", "both"], "--arch"),
        ("prepare", ["--land", "0"], "--land"),
        ("prepare", ["--base-thickness", "200 mm"], "--base-thickness"),
    ],
)
def test_an_option_that_cannot_be_used(cast_file, tmp_path, command, options, words):
    out = tmp_path / "out"
    call = [part.format(out=out) for part in CALLS[command]]
    assert words in _refused(out, command, cast_file, *call, *options)


@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_a_place_that_cannot_be_written(tmp_path, command):
    (tmp_path / "out").write_text("a file where a folder should be")
    call = [part.format(out=tmp_path / "out") for part in CALLS[command]]
    result = _run(command, SPHERE, *FIXED, *call)
    assert result.exit_code == 2
    assert "Traceback" not in result.stderr
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["out"]


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is forbidden to the superuser")
@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_a_folder_that_may_not_be_written(tmp_path, command):
    locked = tmp_path / "locked"
    locked.mkdir(mode=0o500)
    call = [part.format(out=locked / "out") for part in CALLS[command]]
    assert "ermission" in _refused(locked, command, SPHERE, *FIXED, *call)


@pytest.mark.parametrize("command", ["survey", "build"])
def test_a_folder_with_other_files_is_left_alone(cast_file, tmp_path, command):
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    result = _run(command, cast_file, "--out", out)
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
    assert "space" in _refused(out, command, SPHERE, *FIXED, *call)


@pytest.mark.parametrize("command", ["prepare", "survey", "build"])
def test_an_input_is_never_changed(tmp_path, command):
    scan = tmp_path / "scan.stl"
    shutil.copy(SPHERE, scan)
    before = (scan.read_bytes(), scan.stat().st_mtime_ns)
    call = [part.format(out=tmp_path / "out") for part in CALLS[command]]
    assert _run(command, scan, *FIXED, *call).exit_code == 0
    assert (scan.read_bytes(), scan.stat().st_mtime_ns) == before


def test_a_cast_is_not_written_over_the_scan_it_came_from(tmp_path):
    scan = tmp_path / "scan.stl"
    shutil.copy(SPHERE, scan)
    (tmp_path / "same.ply").symlink_to(scan)
    for out in (scan, tmp_path / "same.ply"):
        result = _run("prepare", scan, *FIXED, "--out", out)
        assert result.exit_code == 2
        assert "never changed" in result.stderr
        assert scan.read_bytes() == SPHERE.read_bytes()


@pytest.mark.parametrize("content", [None, "", "schema = 3", "[cast\n", 'file = "a.stl"'])
def test_a_case_file_that_cannot_be_used(tmp_path, content):
    case = tmp_path / "case.toml"
    if content is not None:
        case.write_text(content)
    assert "case.toml" in _refused(tmp_path / "out", "build", case, "--out", tmp_path / "out")


@pytest.mark.parametrize("folder", ["nowhere", "empty"])
def test_export_of_what_was_not_built(tmp_path, folder):
    (tmp_path / "empty").mkdir()
    out = tmp_path / "out"
    _refused(out, "export", tmp_path / folder, "--out", out / "m.stl")
