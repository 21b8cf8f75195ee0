"""The commands of recording, and the settings they are made from."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from bodies import ball_on_plate, cast_of, surveyed
from pydantic import ValidationError
from typer.testing import CliRunner

from blockout.case import recording_parameters as p
from blockout.case.arm_settings import ArmSettings
from blockout.case.prescription import Prescription
from blockout.case.recording_settings import RecordingSettings, SurenessSettings
from blockout.case.relief_settings import ReliefSettings
from blockout.case.settings import parameter_of
from blockout.cast.record import write_cast
from blockout.cast.scan import read_scan
from blockout.cli.main import app
from blockout.errors import InputError
from blockout.job.records import TRIPOD_FILES
from blockout.mesh import solidity
from blockout.recording.design_area import design_area
from blockout.recording.record import how_sure


def run(*arguments: object):
    return CliRunner().invoke(app, [str(a) for a in arguments], env={"BLOCKOUT_DEBUG": None})


def document(*arguments: object):
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def refused(*arguments: object) -> str:
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert "Traceback" not in result.stderr
    assert "fault of blockout" not in result.stderr
    return result.stderr


@pytest.fixture(scope="module")
def ball_cast():
    """A large ball on a plate: the plate's rim and underside are base."""
    body, scanned = ball_on_plate(radius_mm=18.0, equator_mm=10.0, around=160, plate_mm=24.0)
    return cast_of(body, scanned=scanned)


@pytest.fixture(scope="module")
def cast_file(tmp_path_factory, ball_cast) -> Path:
    file = tmp_path_factory.mktemp("cast") / "cast.ply"
    write_cast(file, ball_cast)
    return file


# --- tripod and the way back ---------------------------------------------------------------------
def test_tripod_writes_marks_that_reposition_reads_back(cast_file, tmp_path):
    out = tmp_path / "marks"
    facts = document(
        "tripod", cast_file, "--tilt", "5,-3", "--engrave", "dimple", "--out", out,
        "--reading-error", "0.1",
    )  # fmt: skip
    assert facts["schema"] == "blockout-tripod/1"
    assert sorted(file.name for file in out.iterdir()) == sorted(TRIPOD_FILES)
    assert json.loads((out / "tripod.json").read_text("utf-8")) == facts
    found = facts["tripod"]
    assert found["on_tissue"] is None
    error = found["tilt_error"]
    assert error["reading_error_mm"] == 0.1
    told_deg = math.degrees(math.atan(0.1 / found["least_height_mm"]))
    assert error["one_mark_deg"] == pytest.approx(told_deg, abs=1e-9)
    marked = read_scan(out / "marked_cast.stl", unit="mm").mesh
    assert solidity(marked).reasons() == ()
    cut_mm3 = sum(one["volume_mm3"] for one in facts["carved"])
    assert facts["cast"]["volume_mm3"] - marked.volume_mm3 == pytest.approx(cut_mm3, abs=0.01)
    for one in facts["carved"]:
        assert one["volume_mm3"] == pytest.approx(one["even_volume_mm3"], rel=0.2)
    marks = [f"--mark={','.join(repr(x) for x in mark['point_mm'])}" for mark in found["marks"]]
    back = document("reposition", cast_file, *marks)
    path = back["marks"]["path"]
    assert path["anterior_tilt_deg"] == pytest.approx(5.0, abs=1e-6)
    assert path["lateral_tilt_deg"] == pytest.approx(-3.0, abs=1e-6)
    assert back["marks"]["recorded"] is None
    # on a level table the front must be lowered by 5 and the right side raised by 3 degrees
    heights = ",".join(repr(mark["point_mm"][2]) for mark in found["marks"])
    lines = run("reposition", cast_file, *marks, f"--heights={heights}").stdout
    assert "lower the front by 5.00 deg and raise the patient's right side by 3.00 deg" in lines
    same = document("reposition", cast_file, *marks, "--heights", "7,7,7", "--tilt", "5,-3")
    assert same["table"]["recorded"]["off_deg"] < 1e-9
    assert same["marks"]["recorded"]["off_deg"] < 1e-6


def test_tripod_says_its_answer_in_lines(cast_file):
    result = run("tripod", cast_file)
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert [line.split(":")[0] for line in lines if line.startswith("Mark")] == [
        "Mark 1", "Mark 2", "Mark 3",
    ]  # fmt: skip
    assert any("Read wrong by 0.25 mm, one mark tilts the cast by up to" in line for line in lines)
    assert any("No teeth are named" in line for line in lines)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("tripod", "--least-span", "55"), "No three places at one height are wide enough apart"),
        (("tripod", "--keep-away", "60"), "is too large; allowed 0 to 10 mm"),
        (
            ("tripod", "--engrave", "star"),
            '_shape = "star" is not known; allowed "cross", "dimple"',
        ),
        (("tripod", "--mark-depth", "5"), "is too large; allowed 0.1 to 2 mm"),
        (("reposition", "--mark", "0,0,0", "--mark", "1,0,0"), "2 given"),
        (("reposition", *("--mark", "0,0,0") * 3), "in a line"),
        (("reposition", *("--mark", "0,0") * 3), "'0,0' is not 3 numbers"),
        (("sureness", "--guide", "35:upside"), "'35:upside' is no guiding surface"),
        (("sureness", "--guide", "35:distal"), "the case names no teeth"),
        (("sureness", "--samples", "3"), "3 is too small"),
        (("sureness", "--repositioning-error", "x"), "'x' is not a number"),
    ],
)
def test_what_cannot_be_done_is_said_in_words(cast_file, arguments, words):
    command, *rest = arguments
    assert words in refused(command, cast_file, *rest)


# --- sureness ------------------------------------------------------------------------------------
def test_sureness_of_a_bare_cast_tells_its_volume(cast_file):
    facts = document("sureness", cast_file, "--samples", "20", "--seed", "4", "--tilt", "2,1")
    sure = facts["sureness"]
    assert facts["schema"] == "blockout-sureness/1"
    assert (sure["samples"], sure["seed"], sure["rank"]) == (20, 4, 1)
    assert sure["confidence_share"] < 0.95
    volume = sure["undercut_volume"]
    assert volume["low_mm3"] < volume["meant_mm3"] < volume["high_mm3"]
    assert facts["one_path"]["guiding_planes"]["kind"] == "cone"
    assert facts["one_path"]["guiding_planes"]["solid_angle_sr"] == pytest.approx(2 * math.pi)
    again = document("sureness", cast_file, "--samples", "20", "--seed", "4", "--tilt", "2,1")
    assert again["sureness"] == sure


def test_arms_without_teeth_are_refused(ball_cast):
    survey = surveyed(ball_cast)
    arm = ArmSettings(tooth=46, aspect="buccal", origin="distal", role="retentive")
    with pytest.raises(InputError, match="the case names no teeth"):
        how_sure(survey, Prescription(arm=(arm,)))


# --- the design ----------------------------------------------------------------------------------
def test_marks_keep_off_what_an_outline_holds(ball_cast):
    """Points round the pole of the ball: the faces inside are those nearer to the pole."""
    angle = np.linspace(0.0, 2.0 * np.pi, 12, endpoint=False)
    ring = 18.0 * np.column_stack(
        [math.sin(0.4) * np.cos(angle), math.sin(0.4) * np.sin(angle), 0 * angle + math.cos(0.4)]
    )
    outline = tuple(tuple(float(x) for x in point) for point in ring + np.array([0, 0, 10]))
    relief = ReliefSettings(over="outline", outline=outline, thickness_mm=0.3)
    for area in (
        design_area(ball_cast, keep_off=[outline]),
        design_area(ball_cast, Prescription(relief=(relief,))),
    ):
        off = np.degrees(
            np.arccos((ball_cast.mesh.face_centres[area.faces] - [0, 0, 10.0]) @ [0, 0, 1] / 18.0)
        )
        assert off.max() < math.degrees(0.4) + 3.0
        assert area.faces.sum() > 300
        assert len(area.points_mm) > 50
    nothing = design_area(ball_cast)
    assert not nothing.faces.any()
    assert nothing.points_mm.shape == (0, 3)


# --- settings ------------------------------------------------------------------------------------
def test_every_number_of_the_settings_comes_from_a_parameter():
    named = {one.name: one for one in p.ALL}
    seen = set()
    for model in (RecordingSettings, SurenessSettings):
        for name, field in model.model_fields.items():
            parameter = parameter_of(field)
            if parameter is None:
                assert name in {"keep_off", "engrave", "mark_shape", "score"}
                continue
            assert named[name] is parameter
            assert field.default == parameter.default
            for value in (parameter.low, parameter.high):
                assert getattr(model(**{name: value}), name) == value
            for value in (parameter.low - 1, parameter.high + 1):
                with pytest.raises(ValidationError):
                    model(**{name: value})
            seen.add(name)
    assert seen == set(named)
    assert len(named) == len(p.ALL)
