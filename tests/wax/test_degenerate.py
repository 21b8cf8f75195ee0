"""Aims at the degenerate: faces along the path, nothing undercut, tangent bodies, undercuts that
are open below.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import (
    ball,
    ball_of_rings,
    box,
    cast_of,
    frustum,
    polygon_share,
    ramp,
    turned,
    united,
    worked,
)
from invariants import (
    assert_apart,
    assert_solid,
    assert_under_cast,
    assert_walls_parallel,
    assert_within,
)

from blockout.cast.cast import Cast
from blockout.errors import DefectError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh, joined, solidity

UP = np.array([0.0, 0.0, 1.0])


def with_base(body: Mesh) -> Cast:
    """The body with its flat foot left to the base."""
    lowest = body.vertices[:, 2].min()
    return cast_of(body, scanned=~(np.abs(body.corners[:, :, 2] - lowest) < 1e-9).all(axis=1))


# --- nothing undercut ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    "body",
    [
        box((0.0, 0.0, 0.0), (4.0, 5.0, 6.0)),
        frustum(4.0, 4.0, 8.0, around=64),
        frustum(4.0, 3.0, 8.0, around=64),
    ],
    ids=["box", "cylinder", "upright cone"],
)
@pytest.mark.parametrize("taper_deg", [0.0, 6.0])
def test_walls_along_the_path_need_nothing(body: Mesh, taper_deg: float) -> None:
    done = worked(with_base(body), taper_deg=taper_deg)
    assert done.blockout.wax.mesh is None
    assert done.volume_mm3 == 0.0
    assert done.blockout.undercut_volume_mm3 == 0.0
    assert done.blockout.wax.triangle_count == 0
    assert any("nothing to fill" in note for note in done.blockout.wax.notes)
    assert done.survey.area_mm2 == done.survey.volume_mm3 == done.survey.max_depth_mm == 0.0
    assert done.survey.max_depth_at_mm is None
    assert done.survey.survey_lines == ()
    # the model is the cast, to the bit
    assert done.model.mesh is done.cast.mesh
    assert done.model.volume_mm3 == body.volume_mm3


def test_an_upright_cone_tilted_just_short_of_its_angle_needs_nothing() -> None:
    # closed form: the wall of a cone of half angle a looks up to the tilt a; the n-gon's facets
    # stand a little flatter, atan(tan a cos(pi / n)), where they face
    around, low, high, height = 64, 4.0, 3.0, 8.0
    body = frustum(low, high, height, around=around)
    facet = math.degrees(math.atan((low - high) * math.cos(math.pi / around) / height))
    # the first facet faces half a sector from +x
    half_sector = math.degrees(math.atan(math.tan(math.radians(facet)) / 1.0))
    short, over = worked(with_base(body), tilt_deg=(0.0, 0.99 * half_sector)), None
    assert short.blockout.wax.mesh is None
    over = worked(with_base(body), tilt_deg=(0.0, 1.1 * half_sector))
    assert over.volume_mm3 > 0.0
    assert_solid(over.wax)


@pytest.mark.parametrize("tilt", [0.001, 0.01, 0.1, 1.0])
def test_the_least_tilt_of_a_cylinder(tilt: float) -> None:
    # closed form: width 2 R times L^2 tan t / 2
    body = frustum(4.0, 4.0, 8.0, around=64)
    done = worked(with_base(body), tilt_deg=(0.0, tilt))
    closed_mm3 = 8.0 * 64.0 * math.tan(math.radians(tilt)) / 2.0
    assert done.blockout.undercut_volume_mm3 == pytest.approx(closed_mm3, rel=1e-3, abs=2e-4)
    if tilt >= 0.1:
        assert done.volume_mm3 == pytest.approx(closed_mm3, rel=1e-5)
        assert_solid(done.wax)


# --- coplanar and tangent ------------------------------------------------------------------------
def test_boxes_that_share_planes() -> None:
    # closed form: the fill under a lid that overhangs a block by 1 mm on three sides and is flush
    # on the fourth: (6 x 5 - 4 x 4) x 3
    body = united(
        [box((-2.0, -2.0, 0.0), (2.0, 2.0, 3.0)), box((-3.0, -2.0, 3.0), (3.0, 3.0, 4.0))]
    )
    done = worked(with_base(body))
    assert done.volume_mm3 == pytest.approx((30.0 - 16.0) * 3.0, rel=1e-6)
    assert_solid(done.wax)
    assert_solid(done.model.mesh)
    assert_walls_parallel(done.wax, done.cast, UP)
    # flush walls stay one plane: the model is the lid's outline all the way down
    assert done.model.volume_mm3 == pytest.approx(30.0 * 4.0, rel=1e-6)


def test_steps_one_above_another() -> None:
    """A staircase upside down: each ceiling ends where the next begins, at one height apart."""
    steps = [box((0.0, 0.0, k), (1.0 + k, 4.0, k + 1.0)) for k in range(5)]
    done = worked(with_base(united(steps)))
    # closed form: the top step's column 5 x 4 x 5 less the steps themselves
    assert done.volume_mm3 == pytest.approx(100.0 - 4.0 * (1 + 2 + 3 + 4 + 5), rel=1e-6)
    assert_solid(done.model.mesh)
    assert done.model.volume_mm3 == pytest.approx(100.0, rel=1e-6)


def test_balls_that_touch_in_one_point_are_no_cast() -> None:
    above = ball(2.0, subdivisions=2)
    low = float(above.vertices[:, 2].min())
    pole = int(above.vertices[:, 2].argmin())
    below = Mesh(above.vertices * [1.0, 1.0, -1.0] + [0.0, 0.0, 2.0 * low], above.faces[:, ::-1])
    # one vertex for both, so that the sheets touch there
    pair = joined([above, below])
    faces = np.where(pair.faces == pole + len(above.vertices), pole, pair.faces)
    touching = Mesh(pair.vertices, faces)
    assert solidity(touching).pinched_vertex_count == 1
    with pytest.raises(DefectError, match="two sheets only touch"):
        cast_of(touching)


@pytest.mark.parametrize("gap_mm", [-0.01, 0.0, 1e-6, 0.01])
def test_balls_that_nearly_touch(gap_mm: float) -> None:
    # closed form: a lower ball of the same radius takes half of it from the column of the upper one
    # between the equators, and there is nothing below its own equator but half a ball's corner:
    # pi R^2 (2 R + gap + R) - 2/3 pi R^3 (upper) - 4/3 pi R^3 (lower), all times what facets leave
    upper = ball_of_rings(2.0, around=48)
    lower = Mesh(upper.vertices - [0.0, 0.0, 4.0 + gap_mm], upper.faces)
    body = united([upper, lower]) if gap_mm < 0.0 else joined([upper, lower])
    cast = cast_of(body)
    done = worked(cast)
    column_mm3 = polygon_share(48) * math.pi * 4.0 * (6.0 + gap_mm)
    closed_mm3 = column_mm3 - 1.5 * upper.volume_mm3
    # balls pushed into each other share a lens of about pi R g^2 / 2
    lens_mm3 = math.pi * gap_mm**2 if gap_mm < 0.0 else 0.0
    assert done.volume_mm3 == pytest.approx(closed_mm3, rel=1e-5, abs=2.0 * lens_mm3)
    assert_solid(done.wax)
    assert_solid(done.model.mesh)
    assert_walls_parallel(done.wax, cast, UP)


# --- open undercuts ------------------------------------------------------------------------------
def test_an_undercut_that_opens_to_the_base_is_filled_to_the_floor() -> None:
    """The lid overhangs the base's edge: wax runs past the edge down to the floor."""
    body = united(
        [box((-2.0, -2.0, 0.0), (2.0, 2.0, 6.0)), box((-4.0, -3.0, 6.0), (4.0, 3.0, 7.0))]
    )
    cast = cast_of(body, scanned=body.face_centres[:, 2] > 1.0)
    done = worked(cast)
    # closed form: (8 x 6 - 4 x 4) x 6
    assert done.volume_mm3 == pytest.approx(192.0, rel=1e-6)
    assert done.wax.bounds_mm[0, 2] == pytest.approx(0.0, abs=1e-5)
    assert_walls_parallel(done.wax, cast, UP)


@pytest.mark.parametrize("tilt_deg", [(25.0, 0.0), (0.0, -25.0), (-8.0, 6.0)])
def test_the_floor_is_reached_also_on_the_side_where_it_falls_away(
    tilt_deg: tuple[float, float],
) -> None:
    """A wide lid on a thin stem: along a tilted path the floor under the lid's rim lies lower than
    the foot of the stem does.
    """
    profile = [(0.0, 0.0), (1.0, 0.0), (1.0, 6.0), (9.0, 6.0), (9.0, 7.0), (0.0, 7.0)]
    cast = with_base(turned(profile, around=32))
    done = worked(cast, tilt_deg=tilt_deg)
    direction = done.survey.path.direction
    assert_walls_parallel(done.wax, cast, direction)
    assert_under_cast(done.wax, cast, direction)
    # closed form: the lid's lower half of its outline is swept to the floor; its column from the
    # underside is its area times the height, whatever the tilt, and its rim's wall adds
    # 2 R x (1 mm x tan t) x the height to the floor, less half of what the rim itself takes
    cos_tilt = float(direction[2])
    area_mm2 = polygon_share(32) * math.pi * 81.0
    stem_mm3 = polygon_share(32) * math.pi * 6.0
    under_lid_mm3 = area_mm2 * 6.0 - stem_mm3
    assert done.volume_mm3 > under_lid_mm3
    tan_tilt = math.sqrt(1.0 - cos_tilt**2) / cos_tilt
    rim_mm3 = 2.0 * 9.0 * tan_tilt * (6.0 + 0.5)
    # an n-gon is up to 1 / cos(pi / n) narrower across its sides than across its corners
    assert done.volume_mm3 == pytest.approx(
        under_lid_mm3 + rim_mm3, abs=0.01 * rim_mm3 + 1e-6 * under_lid_mm3
    )


@pytest.mark.parametrize("taper_deg", [0.0, 8.0])
def test_a_floor_below_the_cast_is_reached(taper_deg: float) -> None:
    body = ball_of_rings(3.0, around=32)
    low = worked(cast_of(body), tilt_deg=(9.0, 4.0), floor_mm=-8.0, taper_deg=taper_deg)
    assert low.wax.bounds_mm[0, 2] == pytest.approx(-8.0, abs=1e-5)
    on_floor = (np.abs(low.wax.corners[:, :, 2] + 8.0) < 1e-4).all(axis=1)
    # closed form: on the floor the column is the outline's area over cos t, and cones widen it
    cos_tilt = float(low.survey.path.direction[2])
    outline_mm2 = math.pi * 9.0 / cos_tilt
    assert low.wax.face_areas_mm2[on_floor].sum() > 0.98 * outline_mm2
    if taper_deg == 0.0:
        assert low.wax.face_areas_mm2[on_floor].sum() == pytest.approx(outline_mm2, rel=0.02)


def test_a_lower_floor_is_never_less_wax() -> None:
    cast = cast_of(ball(3.0, subdivisions=3))
    volumes = [
        worked(cast, tilt_deg=(5.0, 5.0), floor_mm=floor_mm).volume_mm3
        for floor_mm in (1.0, -0.5, -2.0, -3.0, -5.0)
    ]
    assert volumes == sorted(volumes)
    assert volumes[0] < 0.2 < volumes[-1]


def test_a_floor_above_every_ceiling_leaves_nothing() -> None:
    done = worked(cast_of(ball(3.0, subdivisions=2)), floor_mm=5.0)
    assert done.blockout.wax.mesh is None
    assert any("nothing to fill" in note for note in done.blockout.wax.notes)


# --- folds and rays at corners -------------------------------------------------------------------
def test_a_tilted_ramp_holds() -> None:
    cast = cast_of(ramp(turns=2.5, around=20))
    done = worked(cast, tilt_deg=(6.0, -5.0))
    assert_solid(done.wax)
    assert_solid(done.model.mesh)
    assert_apart(done.wax, cast.mesh, slack_mm3=1e-5)
    assert_under_cast(done.wax, cast, done.survey.path.direction)
    assert done.model.volume_mm3 == pytest.approx(cast.mesh.volume_mm3 + done.volume_mm3, rel=1e-6)


def test_depth_where_rays_pass_through_edges_and_corners() -> None:
    """A grid of cubes on posts: every ray from a vertex along the path runs along an edge."""
    parts = [box((-3.0, -3.0, 3.0), (3.0, 3.0, 4.0)), box((-1.0, -1.0, 0.0), (1.0, 1.0, 3.0))]
    done = worked(with_base(united(parts)))
    vertices = done.cast.mesh.vertices
    foot = (np.abs(vertices[:, 2]) < 1e-9) & (np.abs(vertices[:, :2]).max(axis=1) < 1.0 + 1e-9)
    # closed form: the lid overhangs by 2 mm
    assert_within(done.survey.depth_mm[foot], 2.0, 0.002)
    assert done.volume_mm3 == pytest.approx((36.0 - 4.0) * 3.0, rel=1e-6)


def test_specks_are_no_part() -> None:
    """Rounding at the survey line leaves films and pockets; neither wax nor model holds one."""
    body = united([box((0.0, 0.0, 0.0), (1.0, 2.0, 3.0)), box((-1.0, 0.5, 2.0), (2.0, 1.5, 3.5))])
    for tilt_deg in ((0.0, 0.0), (5.0, 3.0), (7.0, -4.0)):
        done = worked(cast_of(body), tilt_deg=tilt_deg)
        for mesh in (done.wax, done.model.mesh):
            pieces = mesh.face_components()
            volumes = [mesh.part(pieces == k).volume_mm3 for k in range(int(pieces.max()) + 1)]
            assert min(volumes) > 0.01
        assert int(done.model.mesh.face_components().max()) == 0


def test_the_kernel_cuts_nothing_without_complaint() -> None:
    assert Solid.empty().above_plane(UP, 1.0).is_empty
