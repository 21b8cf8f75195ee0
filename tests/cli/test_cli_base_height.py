"""Closed casts from elsewhere whose base is not recognised: ``--base-height`` says how high it is.

The body is a cone standing on its narrow end (``blockout.samples``), on a plate that widens upward
as well. Nobody can tell such a plate from tissue by its shape, and its wall is undercut all around.
"""

import json

import numpy as np
import pytest
from command_line import FIXED, SCAN, document, refused, told

from blockout.kernel.files import read_mesh_file, write_stl
from blockout.samples.bodies import turned_body

AROUND = 64
SHARE = AROUND / (2.0 * np.pi) * np.sin(2.0 * np.pi / AROUND)
"""Area of the regular n-gon in a circle over the circle's (closed form)."""
PLATE_MM = ((10.0, -5.0), (12.0, 0.0))
CONE_MM = ((4.0, 0.0), (5.0, 3.0))
"""Radius and height, from below to above."""
LEVEL = (*FIXED, "--tilt", "0,0", "--noise-depth", "0")
OVER_THE_PLATE = ("--base-height", "5.01")


def _under_mm3(wall_mm):
    """Closed form: the column under the upper rim less the frustum in it, both n-sided."""
    (low_mm, bottom_mm), (high_mm, top_mm) = wall_mm
    frustum = (low_mm**2 + low_mm * high_mm + high_mm**2) / 3.0
    return SHARE * np.pi * (top_mm - bottom_mm) * (high_mm**2 - frustum)


@pytest.fixture(scope="module")
def cast(tmp_path_factory):
    file = tmp_path_factory.mktemp("flaring") / "flaring.stl"
    profile = [(0.0, -5.0), *PLATE_MM, (8.0, 0.0), *CONE_MM, (0.0, 3.0)]
    write_stl(file, turned_body(profile, around=AROUND))
    return file


@pytest.fixture(scope="module")
def built(tmp_path_factory, cast):
    out = tmp_path_factory.mktemp("built") / "b"
    return document("build", cast, *LEVEL, *OVER_THE_PLATE, "--out", out)


def test_without_it_the_flaring_wall_is_surveyed_as_tissue(cast, tmp_path):
    facts = document("survey", cast, *LEVEL, "--out", tmp_path / "s")
    undercut_mm3 = _under_mm3(PLATE_MM) + _under_mm3(CONE_MM)
    assert facts["undercut"]["volume_mm3"] == pytest.approx(undercut_mm3, rel=1e-3)
    assert facts["undercut"]["max_depth_mm"] == pytest.approx(2.0, abs=0.01)
    (note,) = [note for note in facts["notes"] if "only the bottom is base" in note]
    assert note.endswith("if more of it is base, say how high with --base-height")


def test_with_it_only_what_stands_on_the_base_is_undercut(built):
    assert built["undercut"]["volume_mm3"] == pytest.approx(_under_mm3(CONE_MM), rel=1e-5)
    assert [part["kind"] for part in built["parts"]] == ["parallel"]
    assert built["parts"][0]["volume_mm3"] == pytest.approx(_under_mm3(CONE_MM), rel=1e-5)
    assert "all that lies below 5.01 mm over the bottom is base, as stated" in built["notes"]
    assert built["case"]["cast"]["base_height_mm"]["value"] == 5.01


def test_prepare_keeps_it_with_the_cast(cast, built, tmp_path):
    file = tmp_path / "cast.ply"
    facts = document("prepare", cast, *FIXED, *OVER_THE_PLATE, "--out", file)
    assert facts["cast"] == built["cast"]
    # the rule itself: base is what lies wholly below 5.01 mm over the bottom
    read = read_mesh_file(file)
    below = (read.vertices[read.faces][:, :, 2] < -5.0 + 5.01).all(axis=1)
    assert np.array_equal(read.face_fields["scanned"] == 0, below)
    surveyed = document(
        "survey", file, "--tilt", "0,0", "--noise-depth", "0", "--out", tmp_path / "s"
    )
    assert surveyed["undercut"]["volume_mm3"] == pytest.approx(_under_mm3(CONE_MM), rel=1e-3)
    words = refused(tmp_path / "b", "build", file, *OVER_THE_PLATE, "--out", tmp_path / "b")
    assert "asked for base_height_mm" in words


def test_a_case_file_says_it_too(cast, built, tmp_path):
    case = tmp_path / "case.toml"
    case.write_text(
        f'schema = "blockout-case/1"\n[cast]\nfile = "{cast.as_posix()}"\nunit = "mm"\nup = "+z"\n'
        'front = "+y"\nbase_height_mm = "501 cm"\n[survey]\nnoise_depth_mm = 0\n'
    )
    assert "base_height_mm" in refused(tmp_path / "out", "build", case, "--out", tmp_path / "out")
    case.write_text(case.read_text().replace('"501 cm"', '"0.501 cm"'))
    told("build", case, "--out", tmp_path / "b")
    summary = json.loads((tmp_path / "b/summary.json").read_text())
    assert summary["cast"] == built["cast"]
    assert summary["model"] == built["model"]


def test_a_height_that_leaves_nothing_is_refused(cast, tmp_path):
    out = tmp_path / "out"
    words = refused(out, "prepare", cast, *FIXED, "--base-height", "8.1", "--out", out / "c.ply")
    assert "No scanned surface is left above the base." in words
    assert "where: flaring.stl" in words
    assert "smaller --base-height" in words


def test_an_open_scan_has_no_base_yet_and_says_so(tmp_path):
    lines = told("prepare", SCAN, "--base-height", "4", "--out", tmp_path / "cast.ply")
    assert "Note: --base-height was not used: the scan is open, and its base is poured.\n" in lines
