"""From a built folder to files for a printer: read back by readers that did not write them."""

import hashlib
import json
import math
import shutil

import lib3mf
import numpy as np
import pytest
import trimesh
from invariants import assert_within
from typer.testing import CliRunner

from blockout.case.printing_settings import PrintSettings
from blockout.cast.weld import weld
from blockout.cli.main import app
from blockout.errors import CheckError, InputError, OutputError
from blockout.job import exports
from blockout.job.exports import print_model
from blockout.kernel.files import NamedMesh, read_mesh_file, write_stl
from blockout.printing.print_files import read_back, write_print_file
from blockout.report.cautions import CAUTIONS

MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}


def run(*arguments):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"BLOCKOUT_DEBUG": None})


def by_another_reader(path):
    """Vertices as the file counts and faces, by trimesh, or lib3mf for 3MF, with its unit."""
    if path.suffix == ".3mf":
        model = lib3mf.get_wrapper().CreateModel()
        model.QueryReader("3mf").ReadFromFile(str(path))
        assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
        meshes = model.GetMeshObjects()
        assert meshes.Count() == 1
        meshes.MoveNext()
        shape = meshes.GetCurrentMeshObject()
        assert shape.IsManifoldAndOriented()
        vertices = np.array([list(v.Coordinates) for v in shape.GetVertices()])
        faces = np.array([list(f.Indices) for f in shape.GetTriangleIndices()])
        return trimesh.Trimesh(vertices, faces, process=False)
    return trimesh.load_mesh(path, merge_norm=True, merge_tex=True)


@pytest.mark.parametrize(
    ("form", "unit"),
    [("stl", "mm"), ("stl", "in"), ("ply", "mm"), ("ply", "in"), ("ply", "m"), ("3mf", "mm"),
     ("glb", "mm")],
)  # fmt: skip
def test_a_plain_print_is_the_model_on_its_base(built, tmp_path, form, unit):
    out = tmp_path / f"m.{form}"
    facts = print_model(built, file_format=form, out=out, settings=PrintSettings(unit=unit)).facts
    summary = json.loads((built / "summary.json").read_text(encoding="utf-8"))
    (told,) = facts["files"]
    file_unit = {"3mf": "mm", "glb": "m"}.get(form, unit)
    assert told["unit"] == facts["unit"] == file_unit
    judge = by_another_reader(out)
    judge.apply_scale(MM[file_unit])
    assert judge.is_watertight
    # 24 bits over some 30 mm
    assert judge.volume == pytest.approx(summary["model"]["volume_mm3"], rel=2e-6)
    assert told["volume_mm3"] == pytest.approx(judge.volume, rel=2e-6)
    assert_within(judge.bounds, np.array([[-16.0, -12.0, 0.0], [16.0, 12.0, 18.0]]), 1e-4)
    # nothing was moved: every corner of the model lies in the file
    model = read_mesh_file(built / "model.stl")
    frame = np.array(summary["frame"])
    due = (model.vertices - frame[:3, 3]) @ frame[:3, :3] - [0.0, 0.0, summary["cast"]["floor_mm"]]
    matrix = np.array(facts["frame"]["scan_to_print_mm"])
    assert_within(model.vertices @ matrix[:3, :3].T + matrix[:3, 3], due, 1e-6)
    corners = weld(judge.vertices, judge.faces).mesh
    assert_within(np.sort(corners.bounds_mm[1]), np.sort(due.max(axis=0)), 1e-4)
    # a reader of our own that takes the stated unit
    again = read_mesh_file(out)
    assert again.unit == (None if form == "glb" else file_unit)


def test_the_manifest_tells_what_the_files_hold(built, tmp_path):
    settings = PrintSettings(
        scale=(1.02, 1.01, 1.0),
        turn_deg=30.0,
        xy_mm=-0.05,
        wall_mm=2.0,
        vent_mm=3.0,
        label="auto",
        label_date="2026-11-25",
        label_height_mm=2.0,
        build_volume_mm=(100.0, 100.0, 50.0),
        wax_apart=True,
        least_wall_mm=1.2,
        resin_density_g_per_cm3=1.2,
    )
    done = print_model(built, file_format="stl", out=tmp_path / "m.stl", settings=settings)
    facts = json.loads(done.manifest.read_text(encoding="utf-8"))
    assert facts == json.loads(json.dumps(done.facts))
    assert facts["schema"] == "blockout-print/1"
    assert sorted(f.name for f in tmp_path.iterdir()) == sorted(
        [done.manifest.name, *(told["file"] for told in facts["files"])]
    )
    summary = json.loads((built / "summary.json").read_text(encoding="utf-8"))
    wax_mm3 = {part["name"]: part["volume_mm3"] for part in summary["parts"]}
    for told in facts["files"]:
        file = tmp_path / told["file"]
        assert told["sha256"] == hashlib.sha256(file.read_bytes()).hexdigest()
        judge = trimesh.load_mesh(file)
        assert judge.is_watertight
        assert judge.volume == pytest.approx(told["volume_mm3"], rel=1e-5)
        assert told["resin_g"] == pytest.approx(judge.volume * 1.2e-3, rel=1e-5)
        assert abs(told["off_planned_mm3"]) <= told["allowed_off_mm3"] < 0.05
        if told["part"] != "model":
            # scaled, not hollowed, its walls not moved
            due_mm3 = wax_mm3.pop(told["part"]) * 1.02 * 1.01
            assert told["volume_mm3"] == pytest.approx(due_mm3, rel=1e-4)
    assert wax_mm3 == {}
    source = facts["source"]
    model = (built / "model.stl").read_bytes()
    assert source["model_sha256"] == hashlib.sha256(model).hexdigest()
    assert source["scan_sha256"] == summary["cast"]["source_sha256"]
    did = facts["done"]
    assert did["scale"] == [1.02, 1.01, 1.0]
    assert did["label"]["lines"] == ["FULL 7", "A 3 L -2", "2026-11-25"]
    assert -0.052 <= did["xy"]["measured_mm"] <= -0.045
    assert did["hollow"]["least_wall_mm"] >= 2.0
    assert len(did["hollow"]["vents"]) == 2
    assert facts["cautions"][: len(CAUTIONS)] == list(CAUTIONS)
    said = " ".join(facts["cautions"])
    assert "the investment, not the model" in said.lower()
    assert "raised on supports" in said
    # the direction of removal goes with the model: scaled, then turned, by closed form
    along = np.array(summary["path"]["direction_cast"]) * [1.02, 1.01, 1.0]
    c, s = math.cos(math.radians(30.0)), math.sin(math.radians(30.0))
    along = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ along
    assert_within(np.array(facts["path"]["direction"]), along / np.linalg.norm(along), 1e-9)
    # the label leaves 1.5 mm of the floor; nothing is thinner than 1.2
    assert facts["walls"] == {"limit_mm": 1.2, "thin_count": 0, "thin": []}


def test_thin_walls_and_pools_are_told(built, tmp_path, monkeypatch):
    monkeypatch.setattr(exports, "_POOL_LEAST_MM3", 0.0)  # this hollow drains: tell of none at all
    settings = PrintSettings(wall_mm=2.0, vent_mm=3.0, least_wall_mm=2.5)
    facts = print_model(built, file_format="ply", out=tmp_path / "m.ply", settings=settings).facts
    walls = facts["walls"]
    assert walls["thin_count"] == len(walls["thin"]) > 0
    assert walls["thin"][0]["thickness_mm"] == pytest.approx(
        facts["done"]["hollow"]["least_wall_mm"], abs=0.05
    )
    assert [warning["code"] for warning in facts["warnings"]] == ["resin_pool"]
    assert "About 0 mm3 of resin" in facts["warnings"][0]["message"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"build_volume_mm": (25.0, 25.0, 50.0)}, "does not fit"),
        ({"label": "A VERY LONG LABEL THAT GOES NOWHERE"}, "no room for the label"),
        ({"wall_mm": 9.0}, "too slender"),
        ({"label": "*"}, "no letter is drawn"),
    ],
)
def test_what_is_refused_leaves_nothing(built, tmp_path, settings, words):
    out = tmp_path / "new" / "m.stl"
    with pytest.raises(InputError, match=words):
        print_model(built, file_format="stl", out=out, settings=PrintSettings(**settings))
    assert not any(tmp_path.iterdir())


def test_an_older_file_stays_when_a_later_one_fails(built, tmp_path):
    out = tmp_path / "m.stl"
    out.write_text("older")
    (tmp_path / "m.wax-parallel.stl").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        print_model(built, file_format="stl", out=out, settings=PrintSettings(wax_apart=True))
    assert out.read_text(encoding="utf-8") == "older"
    assert sorted(f.name for f in tmp_path.iterdir()) == ["m.stl", "m.wax-parallel.stl"]


def test_the_build_itself_is_never_written_over(built, tmp_path):
    own = shutil.copytree(built, tmp_path / "b")
    before = (own / "model.stl").read_bytes()
    with pytest.raises(OutputError, match="take the place of the input"):
        print_model(own, file_format="stl", out=own / "model.stl")
    assert (own / "model.stl").read_bytes() == before
    with pytest.raises(InputError, match="not a folder that a build wrote"):
        print_model(tmp_path, file_format="stl", out=tmp_path / "m.stl")


def test_a_file_that_comes_back_otherwise_is_told(tmp_path):
    block = trimesh.creation.box([10.0, 20.0, 30.0])
    part = NamedMesh("model", weld(block.vertices, block.faces).mesh, "model")
    path = tmp_path / "m"
    path.touch()
    write_print_file(path, part, file_format="stl", unit="in", metadata={})
    with pytest.raises(CheckError, match="another unit"):
        read_back(path, part, unit="mm")
    write_stl(path, part.mesh.scaled(1.001))
    with pytest.raises(CheckError, match="solid that was planned"):
        read_back(path, part, unit="mm")
    write_stl(path, part.mesh.part(np.arange(12) > 0))
    with pytest.raises(CheckError, match="open edges"):
        read_back(path, part, unit="mm")


def test_a_format_with_a_unit_of_its_own_takes_no_other(built, tmp_path):
    for form in ("3mf", "glb"):
        with pytest.raises(InputError, match=f"a {form.upper()} file is not written in in"):
            print_model(
                built, file_format=form, out=tmp_path / "m", settings=PrintSettings(unit="in")
            )
    assert not any(tmp_path.iterdir())


# --- the command ---------------------------------------------------------------------------------
def test_the_command_prints_and_says_what_it_did(built, tmp_path):
    out = tmp_path / "m.3mf"
    result = run("export", built, "--out", out, "--hollow", "2 mm", "--vent", 3, "--label", "A 1",
                 "--scale", "1.01", "--xy", "0.05", "--build-volume", "60,60,60")  # fmt: skip
    assert result.exit_code == 0, result.stderr
    for words in ("closed", "g of resin", "Scaled by 1.01, 1.01, 1.01", "Walls moved by 0.05",
                  "2 vents of 3 mm", "Label A 1", "Fits the build volume", "Walls: ",
                  "Caution: Addition silicone", "Manifest: "):  # fmt: skip
        assert words in result.stdout
    judge = by_another_reader(out)
    facts = json.loads((tmp_path / "m.3mf.manifest.json").read_text(encoding="utf-8"))
    assert judge.volume == pytest.approx(facts["files"][0]["volume_mm3"], rel=1e-6)


def test_frame_print_alone_and_json(built, tmp_path):
    result = run("export", built, "--out", tmp_path / "m.ply", "--frame", "print", "--json")
    assert result.exit_code == 0, result.stderr
    facts = json.loads(result.stdout)
    assert facts["manifest"].endswith("m.ply.manifest.json")
    assert facts["done"] == {
        "base": {"trimmed_mm": 0.0, "trimmed_mm3": 0.0},
        "scale": [1.0, 1.0, 1.0], "turn_deg": 0.0, "xy": None, "hollow": None, "label": None,
    }  # fmt: skip
    # without options for printing the command stays what it was: one file in the scan's frame
    result = run("export", built, "--format", "3mf", "--out", tmp_path / "plain.3mf", "--json")
    assert json.loads(result.stdout)["frame"] == "scan"
    assert not (tmp_path / "plain.3mf.manifest.json").exists()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--scale", "2"], "2 is outside 0.9 to 1.1"),
        (["--scale", "1,1"], "not three numbers"),
        (["--scale", "x"], "not a number"),
        (["--hollow", "0.5"], "so thin a shell breaks"),
        (["--hollow", "-1"], "allowed 0 to 10 mm"),
        (["--hollow", "two"], "not a length"),
        (["--vents", "1", "--hollow", "2"], "vents"),
        (["--xy", "0.9"], "allowed -0.5 to 0.5 mm"),
        (["--unit", "ft"], "not a unit"),
        (["--build-volume", "100,100"], "not three numbers"),
        (["--build-volume", "100,100,1"], "1 is outside 10 to 2000 mm"),
        (["--hollow", "1.2", "--label", "A"], "leaves less than 1 mm"),
        (["--label-date", "1.1.2026"], "no label"),
        (["--label", "A", "--label-style", "carved"], "cannot be given to --label-style"),
        (["--hollow", "2", "--frame", "scan"], "another frame"),
        (["--resin-density", "nan"], "resin_density"),
        (["--turn", "inf"], "turn_deg"),
    ],
)
def test_bad_options_are_refused(built, tmp_path, options, words):
    result = run("export", built, "--out", tmp_path / "m.stl", *options)
    assert result.exit_code == 2, result.output
    assert words in result.stderr.lower()
    assert "Traceback" not in result.stderr
    assert "fault of blockout" not in result.stderr
    assert not any(tmp_path.iterdir())
