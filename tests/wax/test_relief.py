"""Relief: volumes and thickness by closed form, narrow grooves, feathers, stops, recipes, laws."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path

import igl
import numpy as np
import pytest
from bodies import ball, cast_of
from invariants import assert_solid, assert_within, distance_to_mm
from pydantic import ValidationError

sys.path.insert(0, str(Path(__file__).parents[1] / "drawn"))
from patches import cast_over, channel, cylinder, groove, patch, plane, rectangle, saddle, valley

from blockout.case.relief_settings import ALL, ReliefSettings
from blockout.drawn.curve import on_surface
from blockout.drawn.outline import surface_region
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.units import sheet_gauge_mm
from blockout.wax.recipes import relief_zone
from blockout.wax.relief import relief_bulk
from blockout.wax.sheet import FEATHER_END_MM, SINK_MM, Feather, sheet_over

PROMISED_MM = 0.010


def made(mesh, outline, thickness_mm, **asked):
    """A sheet over the inside of an outline, checked for what every sheet must be."""
    region = surface_region(mesh, outline)
    sheet = sheet_over(mesh, outline, region, thickness_mm=thickness_mm, **asked)
    assert_solid(sheet.body)
    assert sheet.solid.volume_mm3 == pytest.approx(sheet.body.volume_mm3, rel=1e-12)
    return sheet, region


def level(steps=(60, 40)):
    return patch(plane, u=(-15.0, 15.0), v=(-10.0, 10.0), steps=steps)


def wax_over(sheet, cast):
    return (sheet.solid - Solid.from_mesh(cast.mesh)).mesh()


def outer_points(sheet, *, count=20_000, seed=0):
    """Random points all over the outer surface."""
    outer = sheet.body.part(sheet.outer)
    rng = np.random.default_rng(seed)
    share = outer.face_areas_mm2 / outer.face_areas_mm2.sum()
    face = rng.choice(outer.triangle_count, count, p=share)
    a, b = rng.random((2, count, 1))
    turned = a + b > 1.0
    a, b = np.where(turned, 1.0 - a, a), np.where(turned, 1.0 - b, b)
    corner = outer.corners[face]
    return corner[:, 0] + a * (corner[:, 1] - corner[:, 0]) + b * (corner[:, 2] - corner[:, 0])


def assert_thickness(sheet, region, thickness_mm):
    """Measured from points of the outer surface to the zone, by libigl."""
    assert_within(distance_to_mm(region.sheet, outer_points(sheet)), thickness_mm, PROMISED_MM)


# --- plane ---------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("gauge", "volume_mm3"), [(20, 162.36), (24, 102.11), (30, 50.93), (32, 40.39)]
)
def test_gauge_sheets_on_a_plane(gauge, volume_mm3):
    """ASTM B258: 0.127 mm x 92^((36 - n)/39); closed form: area times thickness."""
    surface = level()
    outline = rectangle(plane, surface, (-10.0, 10.0), (-5.0, 5.0))
    thickness_mm = ReliefSettings(
        outline=[(0, 0, 0), (1, 0, 0), (0, 1, 0)], thickness_mm=f"{gauge} ga"
    ).thickness_mm
    sheet, region = made(surface, outline, thickness_mm)
    wax = wax_over(sheet, cast_over(surface, floor_mm=-10.0))
    assert_solid(wax)
    assert wax.volume_mm3 == pytest.approx(volume_mm3, abs=0.01)
    assert wax.volume_mm3 == pytest.approx(region.area_mm2 * thickness_mm, rel=1e-4)
    assert wax.bounds_mm[1, 2] == pytest.approx(thickness_mm, abs=1e-9)
    # butt edge: walls square to the surface
    upright = np.abs(sheet.body.face_normals[:, 2])
    assert ((upright < 1e-6) | (upright > 1.0 - 1e-6)).all()


# --- cylinder, sphere, saddle --------------------------------------------------------------------
def cylinder_wax_mm3(radius_mm, thickness_mm, *, step_mm):
    shape = cylinder(radius_mm)
    steps = (round(2.4 * abs(radius_mm) / step_mm), round(12.0 / step_mm))
    surface = patch(shape, u=(-1.2, 1.2), v=(-6.0, 6.0), steps=steps)
    outline = rectangle(shape, surface, (-0.8, 0.8), (-4.0, 4.0), spacing_mm=step_mm)
    sheet, region = made(surface, outline, thickness_mm, spacing_mm=step_mm)
    assert sheet.smoothed_mm == 0.0
    assert_thickness(sheet, region, thickness_mm)
    # columns by closed form: outer points lie on a cylinder of the radius and the thickness
    outer = np.unique(sheet.body.faces[sheet.outer])
    away = np.hypot(*sheet.body.vertices[outer][:, [0, 2]].T)
    sagitta_mm = abs(radius_mm) * (1.0 - np.cos(0.5 * step_mm / abs(radius_mm)))
    assert_within(away, abs(radius_mm + thickness_mm), sagitta_mm + 1e-6)
    sink = abs((radius_mm - SINK_MM) ** 2 - radius_mm**2) / 2.0 * 8.0 * 1.6
    return sheet.body.volume_mm3 - sink


@pytest.mark.parametrize("radius_mm", [5.0, -5.0, 3.0, -3.0])
def test_a_sheet_on_a_cylinder_by_closed_form_and_nearer_to_it_as_facets_shrink(radius_mm):
    """Closed form: V = L q |(R + t)^2 - R^2| / 2, on the inside with a negative R."""
    thickness_mm = 0.5
    exact = 8.0 * 1.6 * abs((radius_mm + thickness_mm) ** 2 - radius_mm**2) / 2.0
    off = [
        abs(cylinder_wax_mm3(radius_mm, thickness_mm, step_mm=step) - exact) / exact
        for step in (0.24, 0.12)
    ]
    # facets of a cylinder of both sizes lie off by their sagitta, which goes with their square
    assert off[0] < 4e-3
    assert off[1] < 0.45 * off[0]


@pytest.mark.parametrize("inside", [False, True])
def test_a_sheet_on_a_ball_by_closed_form(inside):
    """Closed form: V = w |(R + t)^3 - R^3| / 3 on a cap of solid angle w; minus t inside."""
    radius_mm, thickness_mm, height = 6.0, 0.4, 3.0
    body = ball(radius_mm, subdivisions=5)
    if inside:
        body = body.reversed()
    turn = np.linspace(0.0, 2.0 * np.pi, 131)[:-1]
    wide = np.sqrt(radius_mm**2 - height**2)
    ring = np.stack([wide * np.cos(turn), wide * np.sin(turn), 0.0 * turn + height], axis=1)
    sheet, region = made(body, on_surface(body, ring, closed=True), thickness_mm)
    assert_thickness(sheet, region, thickness_mm)
    angle = 2.0 * np.pi * (1.0 - height / radius_mm)
    sign = -1.0 if inside else 1.0
    low, high = radius_mm - sign * SINK_MM, radius_mm + sign * thickness_mm
    exact = angle * abs(high**3 - low**3) / 3.0
    assert sheet.body.volume_mm3 == pytest.approx(exact, rel=3e-3)


def test_a_sheet_on_a_saddle_by_distance_and_by_the_tube_formula():
    """The nearest place on z = (x^2 - y^2)/2R by Newton's method on the smooth surface; volume by
    Weyl's tube formula, V = A t - t^2 M + t^3 K / 3, M and K the integrals of mean and Gauss
    curvature, by quadrature.
    """
    radius_mm, thickness_mm = 4.0, 0.5
    shape = saddle(radius_mm)
    surface = patch(shape, u=(-4.0, 4.0), v=(-4.0, 4.0), steps=(64, 64))
    outline = rectangle(shape, surface, (-2.5, 2.5), (-2.0, 2.0), spacing_mm=0.15)
    sheet, region = made(surface, outline, thickness_mm, spacing_mm=0.15)
    assert_thickness(sheet, region, thickness_mm)
    points = outer_points(sheet, count=4000)
    x, y = points[:, 0].copy(), points[:, 1].copy()
    for _ in range(60):
        z = (x * x - y * y) / (2.0 * radius_mm)
        away = points[:, 2] - z
        one = points[:, 0] - x + away * x / radius_mm
        other = points[:, 1] - y - away * y / radius_mm
        x, y = (
            x + 0.7 * one / (1.0 + (x / radius_mm) ** 2),
            y + 0.7 * other / (1.0 + (y / radius_mm) ** 2),
        )
    on = np.stack([x, y, (x * x - y * y) / (2.0 * radius_mm)], axis=1)
    inner = (np.abs(x) < 2.4) & (np.abs(y) < 1.9)
    assert inner.mean() > 0.85
    facet_mm = 0.125**2 / (4.0 * radius_mm)
    assert_within(np.linalg.norm(points - on, axis=1)[inner], thickness_mm, PROMISED_MM + facet_mm)
    u, v = (
        np.stack(np.meshgrid(np.linspace(-2.5, 2.5, 2001), np.linspace(-2.0, 2.0, 1601)))[k]
        for k in (0, 1)
    )
    slope = 1.0 + (u * u + v * v) / radius_mm**2
    area = np.sqrt(slope)
    gauss = -1.0 / radius_mm**2 / slope**2
    # upward: twice the mean curvature is the divergence of the unit normal, negated
    mean = (-(u * u) + v * v) / radius_mm**3 / (2.0 * slope**1.5)

    def integral(f):
        return float(np.trapezoid(np.trapezoid(f, u[0], axis=1), v[:, 0]))

    total = [integral(area), integral(mean * area), integral(gauss * area)]
    high, low = (
        total[0] * t - total[1] * t * t + total[2] * t**3 / 3.0 for t in (thickness_mm, -SINK_MM)
    )
    assert sheet.body.volume_mm3 == pytest.approx(high - low, rel=2e-3)


# --- hollow tissue -------------------------------------------------------------------------------
@pytest.mark.parametrize("slope", [1.0, 2.5])
def test_a_sharp_valley_in_the_tissue_is_a_sharp_valley_in_the_sheet(slope):
    """Closed form: over z = s |x| the outer surface is z = s |x| + t sqrt(1 + s^2), so a slab of
    the sheet has V = width x length x t sqrt(1 + s^2).
    """
    thickness_mm = 0.5
    shape = valley(slope)
    surface = patch(shape, u=(-6.0, 6.0), v=(-7.0, 7.0), steps=(48, 56))
    outline = rectangle(shape, surface, (-3.0, 3.0), (-4.0, 4.0))
    sheet, region = made(surface, outline, thickness_mm)
    assert sheet.smoothed_mm > 0.0
    assert_thickness(sheet, region, thickness_mm)
    rise = thickness_mm * np.sqrt(1.0 + slope**2)
    slab = sheet.solid - Solid.from_mesh(cast_over(surface, floor_mm=-5.0).mesh)
    x_mm, y_mm = 1.0, 1.5
    for normal, limit in (
        ((1, 0, 0), -x_mm),
        ((-1, 0, 0), -x_mm),
        ((0, 1, 0), -y_mm),
        ((0, -1, 0), -y_mm),
    ):
        slab = slab.above_plane(np.array(normal, dtype=float), limit)
    assert slab.volume_mm3 == pytest.approx(4.0 * x_mm * y_mm * rise, rel=4e-3)
    lowest = sheet.body.part(sheet.outer).vertices
    near = lowest[np.abs(lowest[:, 1]) < 3.0]
    assert near[:, 2].min() == pytest.approx(rise, abs=PROMISED_MM * np.sqrt(1.0 + slope**2))


def test_across_a_groove_narrower_than_the_thickness_no_wax_is_too_far_from_the_tissue():
    thickness_mm = 0.5
    shape = groove(0.6, 0.12)
    surface = patch(shape, u=(-4.0, 4.0), v=(-4.0, 4.0), steps=(200, 40))
    outline = rectangle(shape, surface, (-2.5, 2.5), (-3.0, 3.0), spacing_mm=0.1)
    sheet, region = made(surface, outline, thickness_mm)
    assert_thickness(sheet, region, thickness_mm)
    # also inside: any point of the wax is within the thickness
    rng = np.random.default_rng(1)
    low, high = sheet.body.bounds_mm
    points = low + rng.random((40_000, 3)) * (high - low)
    turns = igl.winding_number(np.array(sheet.body.vertices), np.array(sheet.body.faces), points)
    assert set(np.round(turns, 6)) <= {0.0, 1.0}
    within = points[turns > 0.5]
    assert len(within) > 3000
    assert distance_to_mm(region.sheet, within).max() <= thickness_mm + PROMISED_MM
    # and it fills the groove: no gap between wax and tissue
    floor = region.sheet.face_centres[region.sheet.face_centres[:, 2] < -0.5]
    floor = floor[np.abs(floor[:, 1]) < 2.99]  # not on the wall itself
    assert len(floor) > 100
    inside = igl.winding_number(
        np.array(sheet.body.vertices),
        np.array(sheet.body.faces),
        floor + np.array([0.0, 0.0, 0.003]),
    )
    assert (inside > 0.5).all()


def test_over_a_channel_narrower_than_the_thickness_the_sheet_hangs_between_its_rims():
    """Closed form: over the middle of a channel of radius r < t the nearest tissue is its rims, so
    the outer surface is at sqrt(t^2 - r^2) there, and at t beside it.
    """
    thickness_mm, radius_mm = 0.5, 0.4
    shape = channel(radius_mm)
    surface = patch(shape, u=(-6.0, 6.0), v=(-6.0, 6.0), steps=(120, 48))
    outline = rectangle(shape, surface, (-3.0, 3.0), (-3.0, 3.0))
    sheet, region = made(surface, outline, thickness_mm)
    assert_thickness(sheet, region, thickness_mm)
    points = outer_points(sheet, count=40_000)
    points = points[np.abs(points[:, 1]) < 2.0]
    middle = np.abs(points[:, 0]) < 0.004
    assert middle.sum() > 20
    # 8 um of distance, read straight up where the surface stands at cos 0.6
    assert_within(points[middle, 2], 0.3, 0.008 / 0.6)
    assert_within(points[np.abs(points[:, 0]) > 0.6, 2], thickness_mm, PROMISED_MM)


def test_noise_leaves_no_gap_under_the_sheet_nor_wrong_thickness():
    shape = cylinder(4.0)
    smooth = patch(shape, u=(-1.2, 1.2), v=(-6.0, 6.0), steps=(40, 48))
    rng = np.random.default_rng(8)
    rough = Mesh(smooth.vertices + rng.normal(scale=0.02, size=smooth.vertices.shape), smooth.faces)
    outline = rectangle(shape, rough, (-0.8, 0.8), (-4.0, 4.0))
    for thickness_mm in (0.35,):
        sheet, region = made(rough, outline, thickness_mm)
        assert_thickness(sheet, region, thickness_mm)
        centres = region.sheet.face_centres[region.whole_face]
        above = centres + 0.002 * region.sheet.face_normals[region.whole_face]
        turns = igl.winding_number(np.array(sheet.body.vertices), np.array(sheet.body.faces), above)
        assert (turns > 0.5).all()


# --- edges and windows ---------------------------------------------------------------------------
def test_a_feathered_edge_by_closed_form():
    """Over a width w the thickness is e + (t - e) sin(pi x / 2w): its mean is e + (t - e) 2/pi."""
    thickness_mm, width_mm = 0.5, 2.0
    surface = level()
    outline = rectangle(plane, surface, (-10.0, 10.0), (-5.0, 5.0))
    edge = np.array([[-10.0, -5.0, 0.0], [10.0, -5.0, 0.0]])
    sheet, _ = made(surface, outline, thickness_mm, feather=Feather((edge,), width_mm))
    mean = FEATHER_END_MM + (thickness_mm - FEATHER_END_MM) * 2.0 / np.pi
    exact = 20.0 * (8.0 * thickness_mm + width_mm * mean)
    wax = wax_over(sheet, cast_over(surface, floor_mm=-10.0))
    assert wax.volume_mm3 == pytest.approx(exact, rel=1e-3)
    points = outer_points(sheet)
    share = np.clip((points[:, 1] + 5.0) / width_mm, 0.0, 1.0)
    wanted = FEATHER_END_MM + (thickness_mm - FEATHER_END_MM) * np.sin(np.pi / 2.0 * share)
    assert_within(points[:, 2], wanted, PROMISED_MM)


@pytest.mark.parametrize("over", ["plane", "cylinder"])
def test_a_stop_takes_away_exactly_its_column(over):
    """Closed form: on a plane s^2 t; on a cylinder the sector whose chord is s, length s."""
    thickness_mm, size = 0.5, 2.0
    shape, u, v = (plane, (-7.0, 7.0), (-6.0, 6.0))
    if over == "cylinder":
        shape, u, v = cylinder(5.0), (-1.2, 1.2), (-6.0, 6.0)
    surface = patch(shape, u=u, v=v, steps=(48, 48))
    cast = cast_over(surface, floor_mm=-10.0)
    top = surface.vertices[:, 2].max()
    corners = [(-3.0, -3.0), (3.0, -3.0), (3.0, 3.0), (-3.0, 3.0)]
    outline = [(x, y, np.sqrt(25.0 - x * x) if over == "cylinder" else 0.0) for x, y in corners]
    settings = ReliefSettings(outline=outline, thickness_mm=thickness_mm)
    whole = relief_bulk(cast, settings)
    stop = {"centre": (0.4, 0.6, top), "along": (0.0, 1.0, 0.0)}
    stopped = relief_bulk(
        cast,
        settings.model_copy(update={"stops": None}).model_validate(
            settings.model_dump() | {"stops": [stop]}
        ),
    )
    taken = (whole.solid - stopped.solid).mesh()
    assert_solid(taken)
    added = (stopped.solid - whole.solid).volume_mm3
    assert added <= 0.002
    gone_mm3 = (Solid.from_mesh(taken) - Solid.from_mesh(cast.mesh)).volume_mm3
    if over == "plane":
        exact = size * size * thickness_mm
    else:
        # the crest of the stop leans a little to the side, by where its middle is
        exact = size * 2.0 * np.arcsin(size / 2.0 / 5.0) * ((5.5**2 - 5.0**2) / 2.0)
    assert gone_mm3 == pytest.approx(exact, rel=3e-3)
    (ring,) = stopped.sheet.windows
    assert_within(np.ptp(ring[:, 1]), size, 1e-3)
    # down to the tissue: nothing stands in the window
    scene_mm = stopped.solid ^ Solid.from_mesh(taken)
    assert scene_mm.volume_mm3 <= 0.002


def test_more_thickness_never_gives_less_wax():
    rng = np.random.default_rng(4)
    for _ in range(2):
        wave = rng.uniform(-1.0, 1.0, size=(4, 4))

        def bumpy(u, v, wave=wave):
            z = sum(
                a * np.sin(b * u + 3.0 * c) * np.cos(b * v + 3.0 * d)
                for a, b, c, d in wave * [0.5, 1.5, 1.0, 1.0]
            )
            return np.stack([u, v, z], axis=-1)

        surface = patch(bumpy, u=(-5.0, 5.0), v=(-5.0, 5.0), steps=(36, 36))
        outline = rectangle(bumpy, surface, (-3.0, 3.0), (-3.0, 3.0))
        cast = cast_over(surface, floor_mm=-10.0)
        sheets = [made(surface, outline, t)[0] for t in (0.2, 0.35, 0.8)]
        for thin, thick in itertools.pairwise(sheets):
            assert thick.body.volume_mm3 > thin.body.volume_mm3
            # walls between columns are straight from one to the next, and a thicker sheet has
            # more columns: films at the border, under 2 um thick, may stand out
            film = wax_over(thin, cast), wax_over(thick, cast)
            out = (Solid.from_mesh(film[0]) - Solid.from_mesh(film[1])).mesh()
            assert out.volume_mm3 <= 0.01
            assert out.volume_mm3 <= 0.002 * out.face_areas_mm2.sum() / 2.0
            if out.triangle_count:
                assert np.abs(out.vertices[:, :2]).max(axis=1).min() > 2.5


# --- recipes -------------------------------------------------------------------------------------
RIDGE_MM = 6.0


def ridge(arch="lower"):
    shape = cylinder(RIDGE_MM)
    surface = patch(shape, u=(-1.45, 1.45), v=(-16.0, 16.0), steps=(70, 128))
    return cast_over(surface, floor_mm=-8.0, arch=arch)


def shell_mm3(length_mm, arc_mm, thickness_mm):
    """On a convex cylinder: L q ((R + t)^2 - R^2) / 2."""
    angle = arc_mm / RIDGE_MM
    return length_mm * angle * ((RIDGE_MM + thickness_mm) ** 2 - RIDGE_MM**2) / 2.0


def test_relief_under_a_base_mesh_has_its_finish_line_and_its_stop():
    cast = ridge()
    crest = [(0.0, -12.0, RIDGE_MM), (0.0, 0.0, RIDGE_MM), (0.0, 12.0, RIDGE_MM)]
    bulk = relief_bulk(cast, ReliefSettings(over="base mesh", crest=crest, width_mm=4.0))
    # published: 24 to 20 gauge; the default is 22 (ASTM B258)
    assert bulk.thickness_mm == sheet_gauge_mm(22)
    assert bulk.notes == ()
    wax = (bulk.solid - Solid.from_mesh(cast.mesh)).mesh()
    assert_solid(wax)
    t = bulk.thickness_mm
    angle = 2.0 * np.arcsin(1.0 / RIDGE_MM)
    stop = 2.0 * angle * ((RIDGE_MM + t) ** 2 - RIDGE_MM**2) / 2.0
    assert wax.volume_mm3 == pytest.approx(shell_mm3(24.0 - 1.75, 8.0, t) - stop, rel=4e-3)
    # common practice: finish line 1.5 to 2 mm from the abutment, square to the tissue
    (finish,) = bulk.zone.finish_lines
    assert_within(finish[:, 1], -12.0 + 1.75, 1e-3)
    walls = bulk.sheet.body.face_normals
    facing = bulk.sheet.body.face_centres[:, 1] < -12.0 + 1.75 + 1e-3
    assert facing.sum() > 20
    assert_within(walls[facing][:, 1], -1.0, 1e-3)
    # published: 2 x 2 mm, on the crest, near the far end
    (ring,) = bulk.sheet.windows
    assert_within(ring[:, 1].mean(), 12.0 - 3.0, 0.02)
    assert_within(np.ptp(ring, axis=0)[:2], 2.0, 2e-3)


def test_between_two_teeth_there_are_two_finish_lines_and_no_stop():
    cast = ridge()
    crest = [(0.0, -6.0, RIDGE_MM), (0.0, 6.0, RIDGE_MM)]
    bulk = relief_bulk(
        cast,
        ReliefSettings(
            over="base mesh", crest=crest, width_mm=3.0, between_teeth=True, finish_gap_mm=2.0
        ),
    )
    ends = sorted(float(line[:, 1].mean()) for line in bulk.zone.finish_lines)
    assert ends == pytest.approx([-4.0, 4.0], abs=1e-3)
    assert bulk.sheet.windows == ()
    wax = (bulk.solid - Solid.from_mesh(cast.mesh)).volume_mm3
    assert wax == pytest.approx(shell_mm3(8.0, 6.0, bulk.thickness_mm), rel=4e-3)


def test_relief_under_a_lingual_bar_and_over_its_lower_two_thirds():
    cast = cast_over(level(), floor_mm=-10.0)
    upper = [(-8.0, 2.0, 0.0), (0.0, 2.0, 0.0), (8.0, 2.0, 0.0)]
    lower = [(8.0, -2.5, 0.0), (0.0, -2.5, 0.0), (-8.0, -2.5, 0.0)]  # from the other end
    stone = Solid.from_mesh(cast.mesh)
    for share in (1.0, 2.0 / 3.0):
        bulk = relief_bulk(
            cast,
            ReliefSettings(
                over="lingual bar", upper_border=upper, lower_border=lower, lower_share=share
            ),
        )
        t = bulk.thickness_mm
        assert t == sheet_gauge_mm(30)
        # the upper edge is smoothed over 1 mm, the others are butt
        feather = FEATHER_END_MM + (t - FEATHER_END_MM) * 2.0 / np.pi
        exact = 16.0 * ((4.5 * share - 1.0) * t + feather)
        assert (bulk.solid - stone).volume_mm3 == pytest.approx(exact, rel=3e-3)
        butt = relief_bulk(
            cast,
            ReliefSettings(
                over="lingual bar", upper_border=upper, lower_border=lower, lower_share=share,
                edge="butt", thickness_mm="24 ga",
            ),
        )  # fmt: skip
        wax = (butt.solid - stone).volume_mm3
        assert wax == pytest.approx(16.0 * 4.5 * share * sheet_gauge_mm(24), rel=1e-3)


def test_relief_over_a_gingival_margin_and_a_torus():
    cast = ridge("upper")
    margin = [(0.0, -5.0, RIDGE_MM), (0.0, 5.0, RIDGE_MM)]
    bulk = relief_bulk(cast, ReliefSettings(over="gingival margin", margin=margin, edge="butt"))
    assert bulk.region.area_mm2 == pytest.approx(30.0, rel=3e-3)
    wax = (bulk.solid - Solid.from_mesh(cast.mesh)).volume_mm3
    assert wax == pytest.approx(shell_mm3(10.0, 3.0, 0.35), rel=5e-3)
    feathered = relief_bulk(cast, ReliefSettings(over="gingival margin", margin=margin))
    assert feathered.feather_mm == 1.0
    border = np.unique(feathered.sheet.body.faces[feathered.sheet.outer])
    off = distance_to_mm(feathered.region.sheet, feathered.sheet.body.vertices[border])
    assert off.min() == pytest.approx(FEATHER_END_MM, abs=1e-6)
    assert off.max() == pytest.approx(0.35, abs=1e-6)
    turn = np.linspace(0.0, 2.0 * np.pi, 9)[:-1]
    ring = [(2 * np.cos(a), 4 * np.sin(a), np.sqrt(36 - 4 * np.cos(a) ** 2)) for a in turn]
    for arch, wanted in (("upper", 0.35), ("lower", 0.75)):
        torus = relief_bulk(ridge(arch), ReliefSettings(over="torus", outline=ring))
        assert torus.thickness_mm == wanted
        assert torus.zone.feathered


def test_a_finish_line_on_an_outline_stays_butt_where_the_rest_is_feathered():
    cast = cast_over(level(), floor_mm=-10.0)
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    ring = [(4.0 * np.cos(a), 4.0 * np.sin(a), 0.0) for a in turn]
    settings = ReliefSettings(
        outline=ring, thickness_mm=0.5, edge="feather", finish_line=[ring[3], ring[6], ring[9]]
    )
    bulk = relief_bulk(cast, settings)
    tops = bulk.sheet.body.vertices[np.unique(bulk.sheet.body.faces[bulk.sheet.outer])]
    rim = tops[np.hypot(tops[:, 0], tops[:, 1]) > 3.97]
    angle = np.degrees(np.arctan2(rim[:, 1], rim[:, 0]))
    butt = np.abs(angle - 90.0) < 25.0  # a feather's width away from the ends of the line
    assert_within(rim[butt, 2], 0.5, 1e-6)
    assert rim[np.abs(angle - 90.0) > 50.0, 2].max() < 0.012


@pytest.mark.parametrize(
    ("named", "turn_deg"),
    [
        ((3, 6), 45.0),
        ((6, 3), 45.0),
        # about the place where the outline begins
        ((22, 2), 60.0),
        ((2, 22), 60.0),
        # the long way, told by a place on it
        ((3, 15, 6), 315.0),
        ((6, 15, 3), 315.0),
    ],
)
def test_a_finish_line_goes_the_shorter_way_unless_told(named, turn_deg):
    """Closed form: an arc of a circle."""
    cast = cast_over(level(), floor_mm=-10.0)
    turn = np.linspace(0.0, 2.0 * np.pi, 25)[:-1]
    ring = [(4.0 * np.cos(a), 4.0 * np.sin(a), 0.0) for a in turn]
    asked = ReliefSettings(outline=ring, thickness_mm=0.3, finish_line=[ring[k] for k in named])
    (line,) = relief_zone(cast, asked, name="relief").finish_lines
    # the ends are the nearest points of the outline, which stand 0.25 mm apart
    length_mm = np.linalg.norm(np.diff(line, axis=0), axis=1).sum()
    assert_within(length_mm, 4.0 * np.radians(turn_deg), 0.5)


@pytest.mark.parametrize("gauge", [20, 24])
def test_the_ends_of_the_usual_range_are_usual(gauge):
    """Published: 24 to 20 gauge under a base mesh (ASTM B258)."""
    crest = [(0.0, -6.0, RIDGE_MM), (0.0, 6.0, RIDGE_MM)]
    asked = ReliefSettings(
        over="base mesh", crest=crest, width_mm=2.0, thickness_mm=f"{gauge} ga", stops=[]
    )
    assert relief_bulk(ridge(), asked).notes == ()


# --- what is refused -----------------------------------------------------------------------------
RING = [(-3.0, -3.0, 0.0), (3.0, -3.0, 0.0), (3.0, 3.0, 0.0), (-3.0, 3.0, 0.0)]


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"outline": RING}, "has no thickness"),
        ({"outline": [*RING[:3], (0.0, 0.0, 4.0)], "thickness_mm": 0.3}, "is not on the surface"),
        (
            {"outline": [RING[0], RING[2], RING[1], RING[3]], "thickness_mm": 0.3},
            "crosses or touches itself",
        ),
        (
            {"outline": [(14, -3, 0), (14, 3, 0), (15, 3, -1), (15, -3, -1)], "thickness_mm": 0.3},
            "onto the base",
        ),
        (
            {"outline": RING, "thickness_mm": 0.3, "stops": [{"centre": (0, 0, 0)}]},
            "has no direction",
        ),
        (
            {
                "outline": RING,
                "thickness_mm": 0.3,
                "stops": [{"centre": (4.0, 0, 0), "along": (1, 0, 0)}],
            },
            "reaches beyond the zone",
        ),
        (
            {
                "outline": RING,
                "thickness_mm": 0.3,
                "stops": [{"centre": (8, 0, 0), "along": (1, 0, 0)}],
            },
            "is not on the zone",
        ),
        (
            {
                "outline": RING,
                "thickness_mm": 0.3,
                "stops": [{"centre": (0, 0, 0), "along": (0, 0, 1)}],
            },
            "lies along no direction",
        ),
        (
            {
                "outline": RING,
                "thickness_mm": 0.3,
                "stops": [
                    {"centre": (0, 0, 0), "along": (1, 0, 0)},
                    {"centre": (0.5, 0, 0), "along": (1, 0, 0)},
                ],
            },
            "does not lie within",
        ),
        (
            {
                "outline": RING,
                "thickness_mm": 0.3,
                "edge": "feather",
                "finish_line": [(0, 0, 0), (1, 0, 0)],
            },
            "not on its outline",
        ),
        (
            {"over": "base mesh", "crest": [(-1, 0, 0), (2.5, 0, 0)], "width_mm": 2.0},
            "too short for a tissue stop",
        ),
        ({"over": "base mesh", "crest": [(-1, 0, 0), (0.2, 0, 0)]}, "too short for what is to be"),
    ],
)
def test_what_cannot_be_is_refused_with_words(asked, words):
    cast = cast_over(level((30, 20)), floor_mm=-10.0)
    with pytest.raises(InputError, match=words):
        relief_bulk(cast, ReliefSettings(**asked))


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({}, "needs outline"),
        ({"over": "lingual bar", "upper_border": RING}, "needs lower_border"),
        ({"over": "base mesh", "crest": RING[:1]}, "needs crest with two points"),
        ({"over": "torus", "outline": RING, "crest": RING}, "has no crest"),
        ({"over": "gingival margin", "margin": RING, "finish_line": RING}, "its own finish line"),
        ({"outline": RING, "finish_line": RING[:1]}, "two points or more"),
        ({"outline": RING, "thickness_mm": "41 ga"}, "sheet gauge"),
        ({"outline": RING, "thickness_mm": 3.5}, "less than or equal to 3"),
        ({"outline": RING, "thickness": 0.5}, "Extra inputs"),
    ],
)
def test_settings_that_make_no_sense_are_refused(asked, words):
    with pytest.raises(ValidationError, match=words):
        ReliefSettings(**asked)


def test_every_number_has_a_range_that_holds_its_default_and_says_where_it_is_from():
    for parameter in ALL:
        assert parameter.low < parameter.high
        if parameter.default is not None:
            assert parameter.low <= parameter.default <= parameter.high
        assert parameter.source
        assert parameter.mark in {"standard", "published", "from memory", "common practice", "ours"}


def test_an_unusual_thickness_is_said():
    cast = ridge()
    crest = [(0.0, -8.0, RIDGE_MM), (0.0, 8.0, RIDGE_MM)]
    bulk = relief_bulk(
        cast, ReliefSettings(over="base mesh", crest=crest, width_mm=3.0, thickness_mm=1.5)
    )
    assert len(bulk.notes) == 1
    assert "1.500 mm thick, usually 0.511 to 0.812 mm (published" in bulk.notes[0]


def test_a_body_without_base_is_a_cast_too():
    body = ball(6.0, subdivisions=4)
    turn = np.linspace(0.0, 2.0 * np.pi, 13)[:-1]
    ring = [(3.0 * np.cos(a), 3.0 * np.sin(a), np.sqrt(27.0)) for a in turn]
    cast = cast_of(body)
    bulk = relief_bulk(cast, ReliefSettings(outline=ring, thickness_mm="30 ga"))
    assert bulk.thickness_mm == sheet_gauge_mm(30)
    assert_thickness(bulk.sheet, bulk.region, bulk.thickness_mm)
