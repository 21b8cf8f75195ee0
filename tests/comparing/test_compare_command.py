"""The command, its verdict, its documents and what it writes."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bodies import ball
from typer.testing import CliRunner
from uneven import changed, mirrored, placed

from blockout.case.comparing_settings import ALL, CompareSettings
from blockout.cli.main import app
from blockout.comparing.built import settings_in, stated
from blockout.comparing.compare import Comparison, Given
from blockout.comparing.compare import compare as compared_with
from blockout.comparing.plan import Plan
from blockout.errors import InputError
from blockout.kernel.files import read_mesh_file, write_stl
from blockout.report.comparison import (
    COMPARE_FILES,
    comparison_facts,
    comparison_pictures,
    deviation_colours,
    scan_folder,
    write_scan,
)


def run(*arguments: object) -> Any:
    told = ["compare", *(str(a) for a in arguments)]
    return CliRunner().invoke(app, told, env={"BLOCKOUT_DEBUG": None})


def given(plan: Plan, name: str = "scan.stl", **lumps: Any) -> Given:
    mesh = changed(plan.model, **lumps) if lumps else plan.model
    return Given(name, "0" * 64, ((mesh, "mm"),), in_place=True)


@pytest.fixture(scope="module")
def files(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("scans")
    write_stl(place / "good.stl", placed(plan.model, seed=1)[0])
    lump = ball(1.6, subdivisions=3, centre=(6.2, 6.9, 0.8))
    write_stl(place / "bad.stl", changed(plan.model, lump=lump))
    write_stl(place / "mirror.stl", mirrored(plan.model))
    return place


# --- the command ---------------------------------------------------------------------------------
def test_what_was_made_as_planned_passes_with_code_0(folder: Path, files: Path) -> None:
    result = run(folder, files / "good.stl")
    assert result.exit_code == 0, result.stderr
    assert result.stdout.startswith("PASS  good.stl")
    assert "Fit on surface without wax" in result.stdout
    assert "Fails" not in result.stdout


def test_what_fails_says_why_with_code_1_and_all_of_it_as_json(folder: Path, files: Path) -> None:
    result = run(folder, folder / "model.stl", files / "bad.stl", "--in-place", "--json")
    assert result.exit_code == 1
    facts = json.loads(result.stdout)
    assert facts["schema"] == "blockout-compare/1"
    assert facts["passed"] is False
    assert [scan["passed"] for scan in facts["scans"]] == [True, False]
    failed = facts["scans"][1]["failed"]
    assert "volume of wax off" in {check["what"] for check in failed}
    for check in failed:
        broken = (
            check["value"] < check["limit"]
            if check["at_least"]
            else abs(check["value"]) > check["limit"]
        )
        assert broken
    assert facts["repeated"]["scans"] == 2
    off = [scan["volume"]["off_mm3"] for scan in facts["scans"]]
    assert facts["repeated"]["volume_bias_mm3"] == pytest.approx(np.mean(off))
    assert facts["repeated"]["volume_sd_mm3"] == pytest.approx(np.std(off, ddof=1))


def test_a_scan_that_lies_elsewhere_is_refused_with_code_2(folder: Path, files: Path) -> None:
    result = run(folder, files / "mirror.stl", "--in-place", "--json")
    assert result.exit_code == 2
    error = json.loads(result.stdout)["error"]
    assert error["what"] == "mirror.stl does not lie on the cast as it is"
    assert "limit" in error["measured"]
    assert "--in-place" in error["fix"]
    assert "Traceback" not in result.stderr


def test_expected_actual_and_cast_do_without_a_folder(folder: Path) -> None:
    result = run(
        "--expected", folder / "model.stl", "--actual", folder / "model.stl",
        "--cast", folder / "cast.ply", "--tilt", "4,-3", "--in-place",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    assert "PASS  model.stl" in result.stdout


def test_wax_alone_is_put_on_the_cast(folder: Path) -> None:
    result = run(folder, folder / "wax" / "parallel.stl", "--wax-alone", "--json")
    assert result.exit_code == 0, result.stderr
    volume = json.loads(result.stdout)["scans"][0]["volume"]
    assert volume["off_mm3"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "there is nothing to compare"),
        (("{b}",), "there is no scan to compare"),
        (("{b}", "--cast", "c.ply"), "the plan is said twice"),
        (("--expected", "a.stl"), "--actual and --cast is missing"),
        (("{b}", "{b}/model.stl", "--tilt", "1,1"), "path and arch of a build are in its folder"),
        (("{b}/wax", "{b}/model.stl"), "not a folder that a build wrote"),
        (("{b}", "{b}/none.stl"), "there is no such file"),
        (("{b}", "{b}/model.stl", "--unit", "ell"), "is not a unit"),
    ],
)
def test_what_is_asked_wrongly_is_told_in_words(
    folder: Path, arguments: tuple[str, ...], words: str
) -> None:
    result = run(*(part.format(b=folder) for part in arguments))
    assert result.exit_code == 2
    assert result.stdout == ""
    assert words.lower() in result.stderr.lower()
    assert "Traceback" not in result.stderr


# --- files ---------------------------------------------------------------------------------------
@pytest.fixture(scope="module")
def comparison(plan: Plan) -> Comparison:
    lump = ball(1.6, subdivisions=3, centre=(6.2, 6.9, 0.8))
    return compared_with(plan, [given(plan, lump=lump)])


def test_the_folder_holds_mesh_pieces_and_pictures(comparison: Comparison, tmp_path: Path) -> None:
    (scan,) = comparison.scans
    write_scan(tmp_path / "1-scan", scan, comparison, size_px=(240, 180))
    names = {file.name for file in (tmp_path / "1-scan").iterdir()}
    assert {"deviation.ply", "occlusal.png", "front.png", "excess-01.stl"} <= names
    assert all(
        any(Path("1-scan", name).match(pattern) for pattern in COMPARE_FILES) for name in names
    )
    mesh = read_mesh_file(tmp_path / "1-scan" / "deviation.ply")
    off = mesh.vertex_fields["deviation_mm"]
    assert np.array_equal(mesh.vertices, comparison.plan.model.vertices)
    assert float(off.max()) > 0.5  # the lump
    assert float(np.median(np.abs(off))) < 0.001
    piece = read_mesh_file(tmp_path / "1-scan" / "excess-01.stl")
    assert len(piece.faces) > 100


def test_the_picture_shows_the_lump_in_its_colour(comparison: Comparison) -> None:
    (scan,) = comparison.scans
    name, picture = next(comparison_pictures(scan, comparison, size_px=(480, 360)))
    assert name == "occlusal"
    drawing = picture[40:, :390].astype(int)
    reddish = (drawing[..., 0] > drawing[..., 2] + 60).sum()
    bluish = (drawing[..., 2] > drawing[..., 0] + 60).sum()
    assert reddish > 60
    assert bluish == 0


def test_names_of_folders_are_plain() -> None:
    assert scan_folder(1, "../../a b.stl") == "1-a-b"
    assert scan_folder(3, "...") == "3-scan"


def test_colours_are_pale_in_the_middle_and_as_dark_at_both_ends() -> None:
    middle, missing, excess = deviation_colours([0.0, -1.0, 1.0], most_mm=0.5)
    weights = (0.2126, 0.7152, 0.0722)  # ITU-R BT.709
    assert np.dot(middle, weights) > 0.9
    linear = [np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4) for c in
              (missing, excess)]  # fmt: skip
    # IEC 61966-2-1 and CIELAB: lightness 38 is a luminance of 0.1005
    for colour in linear:
        assert np.dot(colour, weights) == pytest.approx(0.1005, rel=0.15)


# --- verdict and settings ------------------------------------------------------------------------
def test_the_verdict_follows_the_tolerances(comparison: Comparison) -> None:
    plan = comparison.plan
    assert not comparison.passed
    lump = ball(1.6, subdivisions=3, centre=(6.2, 6.9, 0.8))
    wide = CompareSettings(
        within_tooth_mm=2.0, across_arch_mm=4.0, volume_share=1.0, part_volume_share=1.0,
        volume_least_mm3=50.0, wall_deg=20.0, share_within=0.5,
    )  # fmt: skip
    assert compared_with(plan, [given(plan, lump=lump)], settings=wide).passed


def test_facts_are_plain_json_and_say_what_was_allowed(comparison: Comparison) -> None:
    facts = comparison_facts(comparison)
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts
    assert facts["tolerances"]["within_tooth_mm"] == {"value": 0.25, "stated": False}
    assert facts["scans"][0]["places"][0]["kind"] == "excess"
    assert "ISO 5725-1" in facts["definitions"]["trueness"]


def test_every_tolerance_has_its_mark_and_lies_in_its_range() -> None:
    assert {one.name for one in ALL} == set(CompareSettings.model_fields)
    for one in ALL:
        assert one.source
        assert one.default is None or one.low <= one.default <= one.high
    published = {one.name: one.default for one in ALL if one.mark == "published"}
    assert published["within_tooth_mm"] == 0.25
    assert published["across_arch_mm"] == 0.50


def test_the_build_s_case_states_the_tolerances() -> None:
    facts = {"within_tooth_mm": {"value": 0.1, "stated": True},
             "wall_deg": {"value": 2.0, "stated": False}}  # fmt: skip
    settings = settings_in({"case": {"compare": facts}})
    assert settings.within_tooth_mm == 0.1
    assert settings.model_fields_set == {"within_tooth_mm"}
    assert settings_in({}) == CompareSettings()
    assert stated([{"a": {"value": 1, "stated": True}}]) == [{"a": 1}]


def test_a_plan_without_wax_and_a_call_without_scans_are_refused(plan: Plan) -> None:
    with pytest.raises(InputError, match="there is no scan"):
        compared_with(plan, [])
    with pytest.raises(InputError, match="holds no wax"):
        compared_with(replace(plan, parts=()), [given(plan)])
