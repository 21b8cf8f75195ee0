"""Labels: volume by closed form, depth, which way they read, and what is refused."""

import math

import igl
import numpy as np
import pytest
import trimesh
from bodies import box
from invariants import assert_solid, assert_within

from blockout.errors import CheckError, InputError
from blockout.kernel.solids import Solid
from blockout.printing import label as label_room
from blockout.printing.hollow import hollowed
from blockout.printing.label import case_label, label_lines, labelled
from blockout.printing.letters import KNOWN, STROKE, letters, text_size_mm

BLOCK = box([0.0, 0.0, 0.0], [40.0, 30.0, 15.0])


def stroke_area_mm2(height_mm, steps):
    """Closed form: two halves of a regular dodecagon and the rectangle between its flat sides."""
    radius = STROKE * height_mm / 12.0
    return 3.0 * radius**2 + steps * height_mm / 6.0 * 2.0 * radius * math.cos(math.pi / 12.0)


def struck(mesh, x, y):
    """How high over z = 0 the first surface is met from below."""
    hits = trimesh.Trimesh(mesh.vertices, mesh.faces).ray.intersects_location(
        [[x, y, -1.0]], [[0.0, 0.0, 1.0]], multiple_hits=False
    )[0]
    return float(hits[0, 2])


def shape_seen(mesh):
    """Which places of a lattice of half steps a letter covers."""
    x, y = np.meshgrid(np.arange(-2.0, 2.1, 0.5), np.arange(-3.0, 3.1, 0.5))
    points = np.column_stack([x.ravel(), y.ravel(), np.full(x.size, 0.5)])
    return np.asarray(igl.winding_number(mesh.vertices, mesh.faces, points)) > 0.5


@pytest.mark.parametrize("depth_mm", [0.3, 0.8])
def test_an_engraved_stroke_has_its_volume_and_depth(depth_mm):
    made = labelled(BLOCK, ["-"], height_mm=6.0, depth_mm=depth_mm)
    assert_solid(made.mesh)
    assert_within(made.cut_mm3, stroke_area_mm2(6.0, 2.0) * depth_mm, 1e-6)
    assert_within(18000.0 - made.mesh.volume_mm3, made.cut_mm3, 1e-6)
    x, y, _ = made.at_mm
    assert_within(struck(made.mesh, x, y), depth_mm, 1e-6)
    assert set(np.round(np.unique(made.mesh.vertices[:, 2]), 9)) == {0.0, depth_mm, 15.0}


def test_a_raised_label_stands_level_with_the_underside_in_a_sunk_field():
    made = labelled(BLOCK, ["-"], height_mm=6.0, depth_mm=0.5, style="raised")
    assert_solid(made.mesh)
    width, tall = text_size_mm(["-"], height_mm=6.0)
    field_mm2 = (width + 1.2) * (tall + 1.2)
    assert_within(made.cut_mm3, (field_mm2 - stroke_area_mm2(6.0, 2.0)) * 0.5, 1e-6)
    x, y, _ = made.at_mm
    assert_within(struck(made.mesh, x, y), 0.0, 1e-6)
    assert_within(struck(made.mesh, x, y + 2.0), 0.5, 1e-6)
    assert made.mesh.bounds_mm[0, 2] == 0.0


def test_it_reads_from_below():
    made = labelled(BLOCK, ["L"], height_mm=6.0, depth_mm=0.5)
    assert made.turned_deg == 0.0
    x, y, _ = made.at_mm
    # seen from below with +y up, the reader's right is -x: the stem is left, the foot low
    assert_within(struck(made.mesh, x + 2.0, y), 0.5, 1e-6)
    assert_within(struck(made.mesh, x - 2.0, y), 0.0, 1e-6)
    assert_within(struck(made.mesh, x - 1.5, y - 3.0), 0.5, 1e-6)
    assert_within(struck(made.mesh, x - 1.5, y + 3.0), 0.0, 1e-6)


def test_a_long_label_is_turned_where_it_fits():
    made = labelled(box([0, 0, 0], [12, 60, 8]), label_lines("LOWER ARCH"), height_mm=4.0,
                    depth_mm=0.5)  # fmt: skip
    assert made.turned_deg == 90.0
    assert_solid(made.mesh)


def test_every_letter_is_a_solid_within_its_place_and_no_two_are_alike():
    areas = {}
    for one in KNOWN:
        body = letters([one], height_mm=6.0, low_mm=0.0, high_mm=1.0)
        assert_solid(body.mesh())
        low, high = body.bounds_mm
        assert (np.abs([low[:2], high[:2]]) <= [2.4 + 1e-9, 3.4 + 1e-9]).all(), one
        areas[one] = tuple(shape_seen(body.mesh()))
    assert len(set(areas.values())) == len(areas)
    assert len(areas) == 47


def test_a_label_does_not_cut_into_the_hollow():
    hollow = hollowed(box([0, 0, 0], [30, 20, 8]), wall_mm=2.0, vent_mm=3.0, vents=2)
    made = labelled(hollow.mesh, label_lines("CASE 7|A 3"), height_mm=3.0, depth_mm=0.8)
    assert_solid(made.mesh)
    # the same rings, and nothing joined: Euler's number stays
    assert trimesh.Trimesh(made.mesh.vertices, made.mesh.faces).euler_number == 0
    x, y, _ = made.at_mm
    for vent in hollow.vents:  # the label's box and vents are apart
        width, tall = text_size_mm(["CASE 7", "A 3"], height_mm=3.0)
        out = np.maximum(np.abs(np.array(vent.at_mm[:2]) - [x, y]) - [width / 2.0, tall / 2.0], 0.0)
        assert np.hypot(*out) >= 1.5 + 0.7
    with pytest.raises(InputError, match="no room for the label"):
        labelled(hollow.mesh, ["A"], height_mm=3.0, depth_mm=1.2)


def test_texts():
    assert label_lines(" Fälle  7 | | a -4 ") == ["FALLE 7", "A -4"]
    assert case_label("Demo*", anterior_tilt_deg=-0.001, lateral_tilt_deg=2.0) == "DEMO|A 0 L 2"
    with pytest.raises(InputError, match="no letter is drawn for") as refused:
        label_lines("Case * 7 \N{GREEK SMALL LETTER ALPHA}")
    assert "*" in refused.value.measured
    with pytest.raises(InputError, match="label is empty"):
        label_lines(" | ")


def test_no_room_is_told_with_what_there_is():
    with pytest.raises(InputError, match="no room for the label") as refused:
        labelled(box([0, 0, 0], [10, 10, 8]), ["LOWER ARCH"], height_mm=3.0, depth_mm=0.5)
    assert "100 mm2" in refused.value.measured
    assert "--label-height" in refused.value.fix


def test_a_label_that_is_not_cut_would_be_told(monkeypatch):
    monkeypatch.setattr(label_room, "_from_below", lambda place, turn_deg: np.diag([1, 1, 0.5, 1]))
    with pytest.raises(CheckError, match="not as deep as asked"):
        labelled(BLOCK, ["I"], height_mm=6.0, depth_mm=0.5)


def test_letters_need_no_kernel_to_be_laid_out():
    width, tall = text_size_mm(["I", "II"], height_mm=6.0)
    body = letters(["HH", "HH"], height_mm=6.0, low_mm=0.0, high_mm=1.0)
    assert isinstance(body, Solid)
    size = body.bounds_mm[1] - body.bounds_mm[0]
    # closed form: a dodecagon with flat sides reaches cos(15 deg) of its radius
    short = STROKE * (1.0 - math.cos(math.pi / 12.0))
    assert_within(size[:2], np.array([width, tall]) - short, 1e-9)
