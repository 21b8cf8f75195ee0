"""Every command on a small cast, as a user runs it.

The cast is the sphere on a plate of ``sample_meshes``: quick, and known by closed form.
"""

import json
import math
import shutil
import signal
import struct
import subprocess
import sys
import time
import tomllib
from dataclasses import replace

import lib3mf
import numpy as np
import pytest
from command_line import FIXED, SCAN, SPHERE, document, told
from invariants import distance_to_mm, scanned_again
from scipy.spatial import cKDTree

import blockout
from blockout.case.settings import PathSettings
from blockout.cast.record import read_cast
from blockout.cast.scan import read_scan
from blockout.kernel.files import read_mesh_file, write_stl
from blockout.kernel.rays import RayScene
from blockout.mesh import Mesh, solidity
from blockout.report.facts import missing_keys
from blockout.surveying.survey import survey

WINDOW_MM = 1.6
"""From an arm's middle line to beyond its window."""
PICTURES = ("occlusal", "front", "back", "left", "right")


def test_inspect():
    lines = told("inspect", SPHERE, "--unit", "mm")
    assert "triangles" in lines
    assert "It is a solid." in lines
    facts = document("inspect", SPHERE, "--unit", "mm")
    file = read_mesh_file(SPHERE)
    assert facts["mesh"]["triangles"] == len(file.faces)
    assert facts["mesh"]["closed"] is True
    assert facts["source_sha256"] == file.sha256


def test_inspect_says_what_is_wrong_with_an_open_scan(open_scan_facts):
    lines = told("inspect", SCAN)
    assert "boundary loop" in lines
    assert "not a solid" in lines
    assert open_scan_facts["mesh"]["boundary_loops"]["count"] >= 1


def test_prepare_passes_a_closed_cast_through(prepared, scan):
    triangles = len(read_mesh_file(SPHERE).faces)
    assert f"{triangles:,} triangles, closed" in prepared.lines
    assert "Written to" in prepared.lines
    assert [entry.name for entry in prepared.out.parent.iterdir()] == ["cast.ply"]
    before = prepared.out.read_bytes()
    facts = document("prepare", scan, "--out", prepared.out, *FIXED)
    assert facts["cast"]["closed"] is True
    assert facts["cast"]["triangles"] == triangles
    assert prepared.out.read_bytes() == before


def test_survey_writes_facts_mesh_and_pictures(surveyed):
    out = surveyed.out
    for words in ("Path: anterior tilt -8.00 deg", "mm3", "mm2", "Survey line", "(assumed"):
        assert words in surveyed.lines
    names = {entry.name for entry in out.iterdir()}
    pictures = {f"{view}.png" for view in PICTURES}
    assert names == {"survey.json", "depth.ply", "lines.json", *pictures}
    facts = json.loads((out / "survey.json").read_text())
    assert facts["undercut"]["volume_mm3"] > 0.0
    depth = read_mesh_file(out / "depth.ply").vertex_fields["depth_mm"]
    assert np.max(depth) == pytest.approx(facts["undercut"]["max_depth_mm"], abs=1e-5)


@pytest.mark.parametrize("command", ["prepared", "surveyed", "built"])
def test_an_input_is_never_changed(request, scan, stamp, command):
    request.getfixturevalue(command)
    assert (scan.read_bytes(), scan.stat().st_mtime_ns) == stamp


def test_the_tilt_and_its_direction_are_the_same_path(surveyed, cast_file, tmp_path):
    """And a prepared cast is surveyed as the scan it was made from."""
    tilted = json.loads((surveyed.out / "survey.json").read_text())
    direction = ",".join(repr(part) for part in tilted["path"]["direction"])
    facts = document("survey", cast_file, "--direction", direction, "--out", tmp_path / "b")
    assert json.loads((tmp_path / "b/survey.json").read_text()) == facts
    for key in ("anterior_tilt_deg", "lateral_tilt_deg", "direction"):
        assert facts["path"][key] == pytest.approx(tilted["path"][key], abs=1e-9)
    assert facts["cast"] == tilted["cast"]
    assert facts["undercut"]["volume_mm3"] == pytest.approx(
        tilted["undercut"]["volume_mm3"], rel=1e-6
    )


def test_build_keeps_the_output_contract(built):
    summary = json.loads((built.out / "summary.json").read_text())
    assert missing_keys(summary) == ()
    files = sorted(str(f.relative_to(built.out)) for f in built.out.rglob("*") if f.is_file())
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


def test_build_from_a_case_file_is_build_from_its_options(built, cast_file, tmp_path):
    shutil.copy(cast_file, tmp_path / "cast.ply")
    case = tmp_path / "case.toml"
    case.write_text(
        'schema = "blockout-case/1"\n[cast]\nfile = "cast.ply"\n'
        "[path]\nanterior_tilt_deg = 4\nlateral_tilt_deg = -2\n[parallel]\ntaper_deg = 4\n"
    )
    one = document("build", case, "--out", tmp_path / "one")
    over = document("build", case, "--taper", "0", "--out", tmp_path / "over")
    assert one["model"] == json.loads((built.out / "summary.json").read_text())["model"]
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
    lines = told("build", cone, *FIXED, "--out", tmp_path / "b")
    assert "nothing to fill along this path" in lines
    summary = json.loads((tmp_path / "b/summary.json").read_text())
    assert summary["undercut"]["volume_mm3"] == 0.0
    assert [part["volume_mm3"] for part in summary["parts"]] == [0.0]


@pytest.mark.parametrize("form", ["stl", "ply", "3mf", "glb"])
def test_export(built, tmp_path, form):
    out = tmp_path / f"m.{form}"
    facts = document("export", built.out, "--format", form, "--out", out)
    summary = json.loads((built.out / "summary.json").read_text())
    # single precision of the formats: 24 bits over some 40 mm
    assert facts["model"]["volume_mm3"] == pytest.approx(summary["model"]["volume_mm3"], rel=1e-5)
    file = read_mesh_file(out)
    assert len(file.faces) >= facts["model"]["triangles"]
    assert [entry.name for entry in tmp_path.iterdir()] == [out.name]


@pytest.mark.long
def test_the_demo_keeps_the_whole_output_contract(full_pictures, tmp_path):
    """The one long run here: a scan of the project's own making, from its STL to its 3MF."""
    out = tmp_path / "out"
    lines = told("demo", "--out", out)
    for words in ("Cast:", "Path:", "Undercut:", "Wax parallel", "Model:", "closed", "Written to"):
        assert words in lines
    summary = json.loads((out / "build/summary.json").read_text())
    assert missing_keys(summary) == ()
    parts = {part["name"]: part for part in summary["parts"] if part["triangles"]}
    assert parts["parallel"]["kind"] == "parallel"
    assert {part["kind"] for part in parts.values()} == {
        "parallel", "ledge", "arbitrary", "relief",
    }  # fmt: skip
    _assert_prescription(summary)
    _assert_only_windows_stay_open(out / "build", summary)
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

    for picture in out.rglob("*.png"):
        # PNG, ISO/IEC 15948: width and height follow the eight bytes of the IHDR chunk's head
        assert struct.unpack(">2I", picture.read_bytes()[16:24]) == full_pictures

    cast, model = summary["cast"], summary["model"]
    assert [body["closed"] for body in (cast, model, *parts.values())] == [True] * (2 + len(parts))
    assert parts["parallel"]["volume_mm3"] > 1.0
    # inclusion and exclusion: cast and wax touch without overlapping
    whole_mm3 = math.fsum(body["volume_mm3"] for body in (cast, *parts.values()))
    assert model["volume_mm3"] == pytest.approx(whole_mm3, rel=1e-6)
    # the files hold what the summary says; an STL's corners are joined where they are the same
    for name, facts in (("model", model), *((f"wax/{name}", part) for name, part in parts.items())):
        triangles, volume_mm3, rounding_mm3 = _closed_stl(out / f"build/{name}.stl")
        assert triangles == facts["triangles"]
        assert volume_mm3 == pytest.approx(facts["volume_mm3"], rel=0.0, abs=rounding_mm3)
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


def _assert_prescription(summary):
    """Every arm is where it was asked to be, and every table of the case came to something."""
    arms = {arm["name"]: arm for arm in summary["arms"]}
    assert len(arms) == 6
    for arm in arms.values():
        if arm["role"] == "retentive":
            # published: 0.25 mm for a cast arm; the terminal third to quarter lies below the line
            assert arm["terminal_depth_mm"] == pytest.approx(0.25, abs=0.005)
            assert 0.6 < arm["crossing_share"] < 0.8
        else:
            assert arm["terminal_depth_mm"] == pytest.approx(0.0, abs=0.005)
        assert arm["margin_mm"] > 1.0
    assert len(summary["retention"]["arms"]) == 3
    assert summary["retention"]["spread_n"] > 0.0
    assert summary["kennedy"]["text"] == "class II, modification 1"
    stand = [tooth["number"] for tooth in summary["teeth"]]
    assert stand == [47, 44, 43, 42, 41, 31, 32, 33, 34, 35]
    ledges = [part["name"] for part in summary["parts"] if part["kind"] == "ledge"]
    assert sorted(ledges) == sorted("ledge-" + name.replace(" ", "-") for name in arms)
    assert summary["warnings"] == []


def _assert_only_windows_stay_open(folder, summary):
    """The model surveyed again along the same path: undercut is left in the arms' windows alone,
    and there it is the asked one.
    """
    cast, model = read_cast(folder / "cast.ply"), read_scan(folder / "model.stl", unit="mm").mesh
    kept = scanned_again(model, cast)
    tilt_deg = (summary["path"]["anterior_tilt_deg"], summary["path"]["lateral_tilt_deg"])
    path = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
    depth_mm = survey(replace(cast, mesh=model, scanned=kept), path=path).depth_mm
    # where the surface ends at the base, base may hang over it
    depth_mm[model.faces[~kept].reshape(-1)] = 0.0
    away_mm = np.full(len(model.vertices), np.inf)
    for arm in summary["arms"]:
        if arm["role"] == "retentive":
            near_mm = cKDTree(arm["centre_mm"]).query(model.vertices)[0]
            terminal_mm = depth_mm[near_mm < WINDOW_MM]
            assert terminal_mm.max() == pytest.approx(arm["terminal_depth_mm"], abs=0.02)
            away_mm = np.minimum(away_mm, near_mm)
    left_mm = np.where(away_mm > WINDOW_MM, depth_mm, 0.0)
    deep = np.flatnonzero(left_mm > summary["undercut"]["noise_depth_mm"] + 0.005)
    # base that hangs over along a tilted path is never a ceiling
    up = np.array(summary["path"]["direction"])
    above = RayScene(model).first_hit(model.vertices[deep] + 0.0005 * up, up).face
    deep = deep[np.append(kept, True)[above]]
    # a few vertices lie in slits beside the base's wall, some microns high; which ones and how deep
    # hangs on the last bit, and so on the processor (0.045 and 0.055 mm were seen)
    assert len(deep) <= 3
    assert left_mm[deep].max(initial=0.0) < 0.08
    base = cast.mesh.part(~cast.scanned)
    assert distance_to_mm(base, model.vertices[deep]).max(initial=0.0) < 0.1


def _closed_stl(path):
    """Triangles and volume, read by numpy alone, and how far off single precision may leave the
    volume (six standard deviations); each edge must run once each way.
    """
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("rest", "<u2")])
    corners = np.fromfile(path, dtype=record, offset=84)["corners"] + np.float32(0.0)
    keys = np.ascontiguousarray(corners.reshape(-1, 3)).view("V12").reshape(-1)
    names = np.unique(keys, return_inverse=True)[1].reshape(-1, 3)
    edges = {edge for a, b, c in names.tolist() for edge in ((a, b), (b, c), (c, a))}
    assert len(edges) == 3 * len(names)
    assert {(b, a) for a, b in edges} == edges
    corners = corners.astype(np.float64)
    # closed form: a corner that moves by e changes the volume by e . (a third of the vector area
    # around it); rounding to steps of 24 bits moves each coordinate by step / sqrt(12) (rms)
    sides = np.diff(corners, axis=1)
    thirds_mm2 = np.cross(sides[:, 0], sides[:, 1]) / 6.0
    around_mm2 = np.zeros((names.max() + 1, 3))
    np.add.at(around_mm2, names.reshape(-1), np.repeat(thirds_mm2, 3, axis=0))
    step_mm = np.abs(corners).max() * 2.0**-23
    rounding_mm3 = 6.0 * step_mm / math.sqrt(12.0) * np.linalg.norm(around_mm2)
    corners -= corners.mean(axis=(0, 1))
    return len(names), float(np.linalg.det(corners).sum() / 6.0), float(rounding_mm3)


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
    document("export", built.out, "--frame", "cast", "--out", tmp_path / "m.stl")
    summary = json.loads((built.out / "summary.json").read_text())
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
