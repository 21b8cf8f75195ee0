"""Relief and a bead on a real upper arch: measured thickness, no gap to the tissue, nothing lost.

The tooth shapes are those of an open data set; where the folder is absent these are left out.
"""

from __future__ import annotations

import igl
import numpy as np
import pytest
from invariants import assert_apart, assert_solid, assert_within, distance_to_mm
from real_arches import margin_of, needs_casts

from blockout.case.relief_settings import BeadSettings, ReliefSettings
from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.wax.bead import bead_bulk
from blockout.wax.relief import relief_bulk

PROMISED_MM = 0.010

pytestmark = [pytest.mark.long, needs_casts]


@pytest.fixture(scope="module")
def cast(real_arch):
    return real_arch("upper").cast


@pytest.fixture(scope="module")
def stone(cast):
    return Solid.from_mesh(cast.mesh)


def on_cast(cast, plan):
    """Places on the cast under points (x, y) of the scan, seen along the upright."""
    down = -cast.frame.up
    start = np.column_stack([np.array(plan), np.zeros(len(plan))]) - 40.0 * down
    reach = RayScene(cast.mesh).first_hit(start, down).distance_mm
    return (start + reach[:, None] * down).tolist()


def outer_points(sheet, *, count=20_000):
    outer = sheet.body.part(sheet.outer)
    rng = np.random.default_rng(0)
    share = outer.face_areas_mm2 / outer.face_areas_mm2.sum()
    corner = outer.corners[rng.choice(outer.triangle_count, count, p=share)]
    a, b = rng.random((2, count, 1))
    a, b = np.where(a + b > 1.0, 1.0 - a, a), np.where(a + b > 1.0, 1.0 - b, b)
    return corner[:, 0] + a * (corner[:, 1] - corner[:, 0]) + b * (corner[:, 2] - corner[:, 0])


@pytest.mark.parametrize("over", ["base mesh", "gingival margin"])
def test_relief_is_as_thick_as_asked_and_lies_close(cast, stone, over):
    crest = [(23.7, -4.9), (24.7, -10.4), (25.0, -14.0), (28.3, -18.9), (31.2, -22.5)]
    lines = {
        "base mesh": {"crest": on_cast(cast, crest), "width_mm": 3.5},
        "gingival margin": {"margin": margin_of("upper", 25, (150, 165, 180, 195, 210, 225))},
    }[over]
    bulk = relief_bulk(cast, ReliefSettings(over=over, edge="butt", **lines))
    assert_solid(bulk.sheet.body)
    assert_within(
        distance_to_mm(bulk.region.sheet, outer_points(bulk.sheet)), bulk.thickness_mm, PROMISED_MM
    )
    wax = (bulk.solid - stone).mesh()
    assert_solid(wax)
    assert len(np.unique(wax.face_components())) == 1
    assert_apart(wax, cast.mesh, slack_mm3=1e-9)
    # on the tissue, with nothing between but in the window
    whole = bulk.region.whole_face
    sheet = bulk.region.sheet
    above = sheet.face_centres[whole] + 0.002 * sheet.face_normals[whole]
    turns = igl.winding_number(
        np.array(bulk.sheet.body.vertices), np.array(bulk.sheet.body.faces), above
    )
    bare = sheet.face_areas_mm2[whole][turns < 0.5].sum()
    window = 4.0 if over == "base mesh" else 0.0
    assert len(bulk.sheet.windows) == (over == "base mesh")
    assert bare == pytest.approx(window, abs=0.4)
    # law: parts joined are parts apart less their overlap
    model = stone + bulk.solid
    assert model.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 + wax.volume_mm3, rel=1e-9)


def test_relief_that_runs_off_the_scan_is_refused(cast):
    flat = ~cast.scanned & (cast.mesh.face_normals @ cast.frame.up > 0.9)
    corners = cast.mesh.corners[int(np.where(flat, cast.mesh.face_areas_mm2, 0.0).argmax())]
    land = (corners.mean(axis=0) + 0.5 * (corners - corners.mean(axis=0))).tolist()
    with pytest.raises(InputError, match="onto the base"):
        relief_bulk(cast, ReliefSettings(outline=land, thickness_mm=0.3))


def test_a_bead(cast, stone):
    plan = [(20.8, -5.8), (19.9, -9.1), (19.5, -12.4), (20.0, -15.0), (21.6, -17.6), (23.9, -20.2)]
    line = on_cast(cast, plan)
    settings = BeadSettings(line=line, width_mm=0.8, depth_mm=0.6, spared=[{"place": line[3]}])
    bulk = bead_bulk(cast, settings)
    taken, left = (bulk.solid ^ stone).mesh(), (stone - bulk.solid).mesh()
    assert_solid(taken)
    assert_solid(left)
    assert left.volume_mm3 + taken.volume_mm3 == pytest.approx(cast.mesh.volume_mm3, rel=1e-9)
    # tissue rounded with a radius of 3 mm and more falls away by 27 um beside the line
    assert taken.volume_mm3 == pytest.approx(bulk.level_volume_mm3, rel=0.07)
    deep = distance_to_mm(cast.mesh.part(cast.scanned), taken.vertices)
    assert 0.55 < deep.max() < 0.61
    assert len(np.unique(taken.face_components())) >= 2
