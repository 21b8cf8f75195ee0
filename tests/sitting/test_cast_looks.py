"""Looks at a cast: a survey's own numbers, depths at a glance, the probe, the section."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
import trimesh
from bodies import ball, ball_of_rings, ball_on_plate, box, cast_of, mushroom, polygon_share, torus
from hypothesis import given
from hypothesis import strategies as st

from blockout.case.case import Case, CastSettings
from blockout.case.editing import with_tooth
from blockout.case.settings import PathSettings, SurveySettings
from blockout.cast.cast import Cast
from blockout.errors import InputError, PathError
from blockout.job import looks
from blockout.mesh import Floats, Mesh
from blockout.samples.arch import SampleCast, closed_cast
from blockout.samples.plan import CastPlan
from blockout.surveying.by_tooth import survey_by_tooth
from blockout.surveying.glance import glance_mm
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import survey

TILTS = [(0.0, 0.0), (6.0, -3.0), (-9.0, 5.0)]


@pytest.fixture(scope="module")
def made() -> SampleCast:
    return closed_cast(CastPlan(arch="lower", missing=(36, 37, 45, 46), spacing_mm=0.6))


@pytest.fixture(scope="module")
def sample(made: SampleCast) -> Cast:
    return cast_of(made.mesh, scanned=made.skin.copy(), matrix=made.frame.matrix)


def along(tilt: tuple[float, float]) -> PathSettings:
    return PathSettings(anterior_tilt_deg=tilt[0], lateral_tilt_deg=tilt[1])


# --- the look ------------------------------------------------------------------------------------
@pytest.mark.parametrize("tilt", TILTS)
def test_a_look_reads_what_a_survey_reads_to_the_bit(
    sample: Cast, tilt: tuple[float, float]
) -> None:
    gauges = (0.25, 0.508)
    look = looks.look_along(sample, along(tilt), gauges)
    whole = survey(sample, path=along(tilt), settings=SurveySettings(gauges_mm=gauges))
    for name in ("depth_mm", "undercut_share"):
        np.testing.assert_array_equal(getattr(look, name), getattr(whole, name))
    for name in ("max_depth_mm", "max_depth_at_mm", "area_mm2", "noise_depth_mm"):
        assert getattr(look, name) == getattr(whole, name)
    assert look.max_depth_mm > 0.5
    np.testing.assert_array_equal(look.path.direction, whole.path.direction)
    assert list(look.iso_lines) == list(gauges)
    for mine, theirs in (
        (look.survey_lines, whole.survey_lines),
        *((look.iso_lines[gauge], whole.iso_lines[gauge]) for gauge in gauges),
    ):
        assert len(mine) == len(theirs) > 0
        for one, other in zip(mine, theirs, strict=True):
            np.testing.assert_array_equal(one.points_mm, other.points_mm)


def test_a_look_warns_as_a_survey_does(sample: Cast) -> None:
    codes = [warning.code for warning in looks.look_along(sample, along((14.0, 0.0))).warnings]
    assert codes == ["steep_path"]
    assert looks.look_along(sample).warnings == ()


def test_a_look_beyond_the_limits_is_refused(sample: Cast) -> None:
    with pytest.raises(PathError, match="limit 30"):
        looks.look_along(sample, along((40.0, 0.0)))
    with pytest.raises(InputError, match="gauge"):
        looks.look_along(sample, along((0.0, 0.0)), [0.0])


# --- depths at a glance --------------------------------------------------------------------------
def test_depths_of_a_ball_at_a_glance() -> None:
    # closed form: at height z under the equator a ball lies R - sqrt(R^2 - z^2) inside its own
    # shadow; the facets of 96 sides lie 2.7 um inside the circle
    radius = 5.0
    body, scanned = ball_on_plate(radius_mm=radius, equator_mm=3.0, around=96, plate_mm=12.0)
    cast = cast_of(body, scanned=scanned)
    got = np.frombuffer(looks.depth_bytes(cast, PathSettings()), dtype=np.uint8)
    assert len(got) == len(body.vertices)
    flat = np.hypot(body.vertices[:, 0], body.vertices[:, 1])
    height = body.vertices[:, 2]
    on_ball = (height > 0.05) & (height < 2.9)
    depth = radius - np.sqrt(radius**2 - (height[on_ball] - 3.0) ** 2)
    assert on_ball.sum() > 500
    assert np.abs(got[on_ball] * looks.DEPTH_STEP_MM - depth).max() <= 0.5 * 0.01 + 0.003
    assert (got[height >= 3.0] == 0).all()
    # on the plate: R - r inside the shadow, nothing outside, nothing on the base
    top = (np.abs(height) < 1e-9) & scanned_vertices(cast)
    under, outside = top & (flat < radius - 0.05), top & (flat > radius + 0.05)
    expected = np.minimum((radius - flat[under]) / 0.01, 255.0)
    assert np.abs(got[under] - expected).max() <= 0.5 + 0.5
    assert (got[outside] == 0).all()
    assert (got[~scanned_vertices(cast)] == 0).all()


def scanned_vertices(cast: Cast) -> np.ndarray:
    return cast.scanned_vertices


@pytest.mark.parametrize("tilt", TILTS)
def test_a_glance_keeps_near_the_exact_depth(sample: Cast, tilt: tuple[float, float]) -> None:
    # the bounds are what the docstring of glance_mm states
    exact = looks.look_along(sample, along(tilt)).depth_mm
    path = insertion_path(sample.frame, arch=sample.arch, settings=along(tilt))
    glance = glance_mm(sample, path)
    hidden = exact > 0.002
    assert hidden.sum() > 3000
    off = np.abs(np.minimum(glance[hidden], 99.0) - exact[hidden])
    assert np.median(off) < 0.0005
    assert (off < 0.02).mean() > 0.97
    assert (off < 0.10).mean() > 0.995
    got = np.frombuffer(looks.depth_bytes(sample, along(tilt)), dtype=np.uint8)
    told = np.minimum(glance, 2.55)
    assert np.abs(got * looks.DEPTH_STEP_MM - told).max() <= 0.5 * looks.DEPTH_STEP_MM + 1e-9


def test_a_direction_means_what_its_tilts_mean(sample: Cast) -> None:
    path = insertion_path(sample.frame, arch=sample.arch, settings=along((6.0, -3.0)))
    by_direction = np.frombuffer(looks.depth_bytes(sample, path.direction * 3.0), dtype=np.uint8)
    by_tilts = np.frombuffer(looks.depth_bytes(sample, along((6.0, -3.0))), dtype=np.uint8)
    # the last bit of the direction may tip a point that lies just at a wall
    assert (by_direction == by_tilts).mean() > 0.999


def test_nothing_is_undercut_on_a_bare_hill() -> None:
    hill = cast_of(box((-5, -5, 0), (5, 5, 3)))
    assert set(looks.depth_bytes(hill, PathSettings())) == {0}


# --- the probe -----------------------------------------------------------------------------------
@given(
    st.floats(0.02, 2.0 * math.pi),
    st.floats(-0.9, 0.9),
    st.floats(-0.9, 0.9),
    st.sampled_from([0.5, 20.0, 5000.0]),
)
def test_a_ray_meets_a_ball_where_it_must(
    turn: float, across: float, up: float, away_mm: float
) -> None:
    # closed form: a ray that passes b from the centre of a ball meets it sqrt(R^2 - b^2) before
    radius = BALL_RADIUS
    d = np.array([math.cos(turn), math.sin(turn), 0.3])
    d /= np.linalg.norm(d)
    one = np.cross(d, [0.0, 0.0, 1.0])
    one /= np.linalg.norm(one)
    aside = radius * 0.9 * (across * one + up * np.cross(d, one)) / max(1.0, math.hypot(across, up))
    origin = aside - (radius + away_mm) * d
    probed = looks.probe(BALL, BALL_LOOK, None, origin, 2.5 * d)
    assert probed is not None
    meant = aside - math.sqrt(radius**2 - aside @ aside) * d
    point = np.array(probed.point_mm)
    slack = 0.02 / max(0.2, float(-d @ meant) / radius)  # the facets lie up to 10 um inside
    assert np.linalg.norm(point - meant) < slack
    assert np.linalg.norm(np.array(probed.normal) - meant / radius) < 0.12
    corners = BALL.mesh.corners[probed.triangle]
    assert sum(probed.barycentric) == pytest.approx(1.0, abs=1e-12)
    assert min(probed.barycentric) >= 0.0
    assert probed.barycentric @ corners == pytest.approx(point, abs=1e-9)
    depth = 0.0 if point[2] >= 0.0 else radius - math.sqrt(radius**2 - point[2] ** 2)
    assert probed.depth_mm == pytest.approx(depth, abs=0.08)
    assert (probed.tooth, probed.aspect, probed.scanned) == (None, None, True)
    # a lower cast: the patient's right is +x; in front lies what is within 45 degrees of +y
    x, y, _ = probed.point_mm
    if abs(abs(x) - y) > 0.3:
        part = "front" if y > abs(x) else "right" if x > 0.0 else "left"
        assert probed.region.startswith(part)


BALL_RADIUS = 5.0
BALL = cast_of(ball(BALL_RADIUS, subdivisions=4))
BALL_LOOK = looks.look_along(BALL, PathSettings())


def test_a_ray_that_misses_or_is_none() -> None:
    assert looks.probe(BALL, BALL_LOOK, None, (0, 0, 20), (1, 0, 0)) is None
    assert looks.probe(BALL, BALL_LOOK, None, (0, 0, 20), (0, 0, 1)) is None
    for origin, direction in (
        ((0, 0, math.nan), (0, 0, 1)),
        ((0, 0, 1), (0, 0, 0)),
        ((0, 0), (0, 0, 1)),
    ):
        with pytest.raises(InputError, match="no ray"):
            looks.probe(BALL, BALL_LOOK, None, origin, direction)


def test_the_probe_knows_the_base() -> None:
    body, scanned = ball_on_plate()
    cast = cast_of(body, scanned=scanned)
    above = looks.probe(cast, None, None, (0, 0, 50), (0, 0, -1))
    below = looks.probe(cast, None, None, (0.5, 0.3, -50), (0, 0, 1))
    assert above is not None
    assert below is not None
    assert (above.scanned, below.scanned) == (True, False)
    assert above.point_mm[2] == pytest.approx(8.0, abs=1e-6)
    assert below.point_mm[2] == pytest.approx(-4.0, abs=1e-6)


def test_the_probe_names_tooth_and_aspect(made: SampleCast, sample: Cast) -> None:
    case = Case(cast=CastSettings(file="x.ply"))
    tops = {}
    for number in (34, 47):
        neck = made.frame.points_to_file(made.tooth(number).neck_mm)
        above = looks.probe(sample, None, None, neck + 30.0 * sample.frame.up, -sample.frame.up)
        assert above is not None
        tops[number] = np.array(above.point_mm)
        case = with_tooth(case, number, tops[number])
    teeth = looks.teeth_of_case(sample, case)
    assert teeth is not None
    look = looks.look_along(sample, along((6.0, -3.0)))
    for number, top in tops.items():
        probed = looks.probe(sample, look, teeth, top + 30.0 * sample.frame.up, -sample.frame.up)
        assert probed is not None
        assert probed.tooth == number
        assert probed.aspect in ("occlusal", "incisal", "buccal", "labial", "lingual")
    # a look is enough to tell each tooth's undercut
    told = survey_by_tooth(survey(sample, path=along((6.0, -3.0))), teeth)
    facts = looks.teeth_facts(look, teeth)
    assert [one["number"] for one in facts] == [one.number for one in told] == list(teeth.numbers)
    for one, other in zip(facts, told, strict=True):
        assert one | other.facts() == one
        np.testing.assert_array_equal(one["margin_mm"][:-1], teeth.crown(other.number).margin_mm)
        np.testing.assert_array_equal(one["margin_mm"][0], one["margin_mm"][-1])
    assert looks.teeth_facts(look, None) == ()


# --- the section ---------------------------------------------------------------------------------
def area_mm2(line: Floats, normal: Floats) -> float:
    """Signed area of a closed line, by the cross products of its sides; seen against the normal."""
    here, there = line[:-1] - line[0], line[1:] - line[0]
    return float(np.cross(here, there).sum(axis=0) @ normal / 2.0)


def length_mm(line: Floats) -> float:
    return float(np.linalg.norm(np.diff(line, axis=0), axis=1).sum())


def cut(mesh: Mesh, point: object, normal: object) -> list[Floats]:
    lines = looks.section({"it": mesh}, point, normal)["it"]  # type: ignore[arg-type]
    for line in lines:
        np.testing.assert_array_equal(line[0], line[-1])  # a solid gives closed lines only
    return lines


def test_a_ball_is_cut_in_polygons() -> None:
    # closed form: level rings of 64 corners; area n/2 r^2 sin(2 pi / n), length 2 n r sin(pi / n)
    body = ball_of_rings(5.0, around=64)
    up = np.array([0.0, 0.0, 1.0])
    for height in (0.0, 0.5):  # the equator is a ring of vertices
        (line,) = cut(body, (0, 0, height), up)
        assert np.abs(line[:, 2] - height).max() < 1e-12
        if height == 0.0:
            assert len(line) == 65
            assert area_mm2(line, up) == pytest.approx(
                math.pi * 25.0 * polygon_share(64), rel=1e-12
            )
            assert length_mm(line) == pytest.approx(2 * 64 * 5.0 * math.sin(math.pi / 64), rel=1e-9)
    through = np.array([1.0, 0.0, 0.0])
    (line,) = cut(body, (0, 0, 0), through)  # along a meridian of vertices, through both poles
    assert area_mm2(line, through) == pytest.approx(math.pi * 25.0 * polygon_share(64), rel=1e-3)
    assert cut(body, (0, 0, 7), up) == []


def test_a_ring_is_cut_in_two() -> None:
    body = torus(6.0, 2.0, around=96)
    up, across = np.array([0.0, 0.0, 1.0]), np.array([0.0, 1.0, 0.0])
    outer, inner = cut(body, (0, 0, 0), up)
    # closed form: a polygon of 96 corners in a circle
    assert area_mm2(outer, up) == pytest.approx(math.pi * 64.0 * polygon_share(96), rel=1e-9)
    assert area_mm2(inner, up) == pytest.approx(-math.pi * 16.0 * polygon_share(96), rel=1e-9)
    sections = cut(body, (0, 0, 0), across)
    assert len(sections) == 2
    for line in sections:  # 48 corners, one of them at each equator
        assert area_mm2(line, across) == pytest.approx(math.pi * 4.0 * polygon_share(48), rel=1e-9)


def test_planes_through_corners_edges_and_faces_of_a_box() -> None:
    body = box((0, 0, 0), (2, 3, 4))
    up = np.array([0.0, 0.0, 1.0])
    for height in (1e-9, 2.0, 4.0):
        (line,) = cut(body, (9, 9, height), up)
        assert area_mm2(line, up) == pytest.approx(6.0, rel=1e-9)
        assert length_mm(line) == pytest.approx(10.0, rel=1e-9)
    assert cut(body, (0, 0, 0), up) == []  # nothing lies before the plane
    (line,) = cut(body, (0, 0, 0), -up)
    assert area_mm2(line, -up) == pytest.approx(6.0, rel=1e-12)
    diagonal = np.array([3.0, -2.0, 0.0]) / math.sqrt(
        13.0
    )  # through two edges and the face between
    (line,) = cut(body, (0, 0, 0), diagonal * 7.0)
    assert area_mm2(line, diagonal) == pytest.approx(4.0 * math.sqrt(13.0), rel=1e-12)
    corner = np.array([1.0, 1.0, 1.0]) / math.sqrt(3.0)
    assert cut(body, (0, 0, 0), corner) == []  # touches one corner only
    with pytest.raises(InputError, match="no plane"):
        cut(body, (0, 0, 0), (0, 0, 0))


@given(
    st.tuples(*[st.floats(-1.0, 1.0)] * 3).filter(lambda n: math.hypot(*n) > 0.1),
    st.floats(-3.0, 6.0),
)
def test_any_section_agrees_with_an_independent_one(
    normal: tuple[float, float, float], at: float
) -> None:
    # trimesh cuts face by face and builds its own loops
    mesh = MUSHROOM
    unit = np.array(normal) / np.linalg.norm(normal)
    point = np.array([0.01, 0.02, 3.0]) + at * unit
    lines = cut(mesh, point, unit)
    judge = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False).section(
        plane_origin=point, plane_normal=unit
    )
    if judge is None:
        assert sum(map(length_mm, lines)) < 1e-6
        return
    assert sum(map(length_mm, lines)) == pytest.approx(judge.length, rel=1e-6, abs=1e-6)
    flat, _ = judge.to_2D()
    inside = shapely.Polygon()
    for outline in flat.polygons_closed:  # a hole in a piece, or a piece in a hole: by turns
        inside = inside.symmetric_difference(outline)
    assert sum(area_mm2(line, unit) for line in lines) == pytest.approx(
        inside.area, rel=1e-6, abs=1e-5
    )
    assert all(np.abs((line - point) @ unit).max() < 1e-9 for line in lines)


MUSHROOM = mushroom(around=24)


def test_an_open_surface_gives_open_lines() -> None:
    body = box((0, 0, 0), (2, 3, 4))
    keep = body.face_normals[:, 0] < 0.5  # without the wall at x = 2
    (line,) = looks.section({"it": body.part(keep)}, (0, 0, 1), (0, 0, 1))["it"]
    assert not np.array_equal(line[0], line[-1])
    assert length_mm(line) == pytest.approx(7.0, rel=1e-12)


def test_each_mesh_is_cut_by_itself() -> None:
    both = looks.section({"a": box((0, 0, 0), (1, 1, 1)), "b": MUSHROOM}, (0, 0, 0.5), (0, 0, 1))
    assert [len(both["a"]), len(both["b"])] == [1, 1]
    assert looks.section({}, (0, 0, 0), (0, 0, 1)) == {}
