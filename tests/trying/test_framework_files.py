"""Frameworks as files: units, open ones, those of another cast; the command and what it writes."""

from __future__ import annotations

import functools
import json

import numpy as np
import pytest
import trimesh
from bodies import ball_on_plate, box, cast_of, united
from frameworks import shell, with_rod
from typer.testing import CliRunner

from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.cast.record import write_cast
from blockout.cli.main import app
from blockout.errors import DefectError, InputError, UnitError
from blockout.kernel.files import write_stl
from blockout.mesh import Mesh
from blockout.report.try_in_picture import TRY_IN_FILES
from blockout.surveying.path import insertion_path
from blockout.trying.framework import framework_of, read_framework, solid_of


@functools.cache
def ball() -> tuple[Cast, Mesh]:
    """The ball on its plate, and a cap that ends over the ball's equator."""
    body, scanned = ball_on_plate(around=64, plate_mm=15.0)
    cast = cast_of(body, scanned=scanned)
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    return cast, shell(cast, path, (-7, -7, 3.5), (7, 7, 11), clearance_mm=0.1)


def hooked() -> Mesh:
    """The cap with a rod that hooks 0.4 mm under the ball, 2 mm over the plate."""
    post, rod = box((6.0, -0.3, 2.0), (6.6, 0.3, 5.0)), box((4.6, -0.3, 2.0), (6.3, 0.3, 2.5))
    return with_rod(ball()[1], united([post, rod]))


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("try-in")
    write_cast(place / "cast.ply", ball()[0])
    write_stl(place / "cap.stl", ball()[1])
    write_stl(place / "hooked.stl", hooked())
    return place


def run(folder, *arguments, code=0):
    result = CliRunner().invoke(
        app, ["try-in", *(str(a) for a in arguments)], env={"BLOCKOUT_DEBUG": None}
    )
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    assert "fault of blockout" not in result.output
    return result


# --- files ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(("unit", "factor"), [("mm", 1.0), ("in", 25.4), ("cm", 10.0)])
def test_a_stated_unit_is_taken(tmp_path, unit, factor):
    cast, cap = ball()
    write_stl(tmp_path / "cap.stl", cap.scaled(1.0 / factor))
    found = read_framework(tmp_path / "cap.stl", cast, unit=unit)
    assert found.unit == unit
    np.testing.assert_allclose(found.mesh.bounds_mm, cap.bounds_mm, atol=1e-5)


def write_plain_stl(path, mesh):
    """By a library that states no unit, as most programs do."""
    trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).export(path)


def test_a_framework_too_small_for_an_arch_has_the_unit_in_which_it_lies_at_the_cast(tmp_path):
    cast, cap = ball()
    away = np.array([60.0, 0.0, 20.0])
    far = cast_of(Mesh(cast.mesh.vertices + away, cast.mesh.faces), floor_mm=16.0)
    moved = Mesh(cap.vertices + away, cap.faces)
    write_plain_stl(tmp_path / "cap.stl", moved)
    assert read_framework(tmp_path / "cap.stl", far).unit == "mm"
    write_plain_stl(tmp_path / "cap_in.stl", moved.scaled(1.0 / 25.4))
    assert read_framework(tmp_path / "cap_in.stl", far).unit == "in"
    write_plain_stl(tmp_path / "lost.stl", moved.scaled(0.37))
    with pytest.raises(UnitError, match="the unit of the framework cannot be told; in none does"):
        read_framework(tmp_path / "lost.stl", far)


def test_an_open_framework_is_refused_with_words():
    cast, cap = ball()
    hole = np.ones(cap.triangle_count, dtype=bool)
    hole[5] = False
    with pytest.raises(
        DefectError, match="not a closed solid, so what is metal cannot be told"
    ) as e:
        framework_of(cap.part(hole), cast)
    assert "3 open edges" in str(e.value)
    assert e.value.places_mm


def test_a_framework_inside_out_is_turned():
    cast, cap = ball()
    found = framework_of(cap.reversed(), cast)
    assert found.mesh.volume_mm3 == pytest.approx(cap.volume_mm3, rel=1e-12)
    assert found.notes == ("the framework was inside out and was turned",)


@pytest.mark.parametrize("away", [(60.0, 0.0, 0.0), (0.0, 0.0, 40.0)])
def test_a_framework_of_another_cast_is_refused(away):
    cast, cap = ball()
    with pytest.raises(InputError, match=r"the framework lies nowhere near the cast; .* mm away"):
        framework_of(Mesh(cap.vertices + np.array(away), cap.faces), cast)


def test_shells_that_overlap_are_joined_and_inner_ones_are_hollows():
    """Closed form: two boxes of 8 mm3 that share 4, one of them with a hollow of 0.125."""
    one, other = box((0, 0, 0), (2, 2, 2)), box((1, 0, 0), (3, 2, 2))
    hollow = box((0.2, 0.2, 0.2), (0.7, 0.7, 0.7)).reversed()
    parts = [one, other, hollow]
    vertices = np.concatenate([part.vertices for part in parts])
    faces = np.concatenate([part.faces + 8 * k for k, part in enumerate(parts)])
    assert solid_of(Mesh(vertices, faces)).volume_mm3 == pytest.approx(12.0 - 0.125, abs=1e-9)


# --- the command ---------------------------------------------------------------------------------
def test_what_goes_to_place_ends_with_0_and_says_how_strictly(folder):
    result = run(folder, folder / "cast.ply", folder / "cap.stl")
    lines = result.stdout.splitlines()
    assert lines[0].startswith("GOES TO PLACE: no metal lies deeper than 0.03 mm")
    assert any(line.startswith("Other paths: turned away by more than") for line in lines)
    assert any(line.startswith("Turned on the cast by 1 deg it is stopped in") for line in lines)
    assert "Software can disprove a fit, not prove it." in lines


def test_what_does_not_ends_with_1_and_writes_what_stops_it(folder, tmp_path):
    """Closed form: the rod's tip is 5 - 4.6 mm inside the wall; the ball's top over it stands
    3 + sqrt(25 - 4.6^2) high, the rod's underside 2.
    """
    out = tmp_path / "tried"
    result = run(folder, folder / "cast.ply", folder / "hooked.stl", "--out", out, "--json", code=1)
    facts = json.loads(result.stdout)
    assert facts == json.loads((out / "try_in.json").read_text("utf-8")) | {}
    assert facts["schema"] == "blockout-try-in/1"
    assert facts["goes_to_place"] is False
    (one,) = facts["interferences"]
    assert one["depth_mm"] == pytest.approx(0.4, abs=0.01)
    touch_mm = 3.0 + np.sqrt(25.0 - 4.6**2) - 2.0
    assert one["first_touch_mm"] == pytest.approx(touch_mm, abs=0.03)
    assert facts["first_touch_mm"] == one["first_touch_mm"]
    assert one["way"] == "aside"
    assert one["where"] == facts["interferences"][0]["reaches"][0]["where"]
    assert any("disprove" in caution for caution in facts["cautions"])
    solid = trimesh.load_mesh(out / "interference-01.stl")
    assert solid.is_watertight
    assert solid.volume == pytest.approx(one["volume_mm3"], rel=1e-4)
    written = sorted(path.name for path in out.iterdir())
    assert written == sorted(
        [
            "try_in.json", "framework.ply", "interference-01.stl", "other-paths.png", "back.png",
            "front.png", "left.png", "occlusal.png", "right.png",
        ]
    )  # fmt: skip
    assert len(TRY_IN_FILES) == 4
    colours = trimesh.load_mesh(out / "framework.ply", process=False)
    deep = np.abs(colours.vertices[:, 0] - 4.6) < 1e-6
    tones = colours.visual.vertex_colors
    assert deep.any()
    assert not (tones[deep][:, :3] == tones[~deep][0, :3]).all(axis=1).any()


def test_the_summary_names_height_place_and_excess(folder):
    lines = run(
        folder, folder / "cast.ply", folder / "hooked.stl", "--tilt-within", "2", code=1
    ).stdout.splitlines()
    assert lines[0].startswith("DOES NOT GO TO PLACE: first touches 2.9")
    assert "mm above seat at" in lines[0]
    assert "0.40 mm too wide" in lines[0]
    assert "1 interference deeper than 0.03 mm" in lines[0]
    assert lines[1].startswith("  1. ")


def test_what_cannot_be_used_is_refused(folder, tmp_path):
    cap = ball()[1]
    keep = np.ones(cap.triangle_count, dtype=bool)
    keep[0] = False
    write_stl(tmp_path / "open.stl", cap.part(keep))
    out = tmp_path / "out"
    for arguments, words in (
        ((folder / "cast.ply", tmp_path / "open.stl"), "not a closed solid"),
        ((folder / "cast.ply", tmp_path / "none.stl"), "none.stl"),
        ((folder / "cast.ply", folder / "cap.stl", "--rest", "1,2"), "not 3 numbers"),
        ((folder / "cast.ply", folder / "cap.stl", "--allowance", "3"), "llowance_mm = "),
        ((folder / "cast.ply", folder / "cap.stl", "--unit", "cm"), "nowhere near the cast"),
    ):
        result = run(folder, *arguments, "--out", out, code=2)
        assert words in result.stderr, (arguments, result.stderr)
        assert not out.exists()
