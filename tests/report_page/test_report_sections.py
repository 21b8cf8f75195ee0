"""Sections through terminals: depths, walls and drawings against closed forms."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from ball_case import ball_case
from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth, height_for_mm
from bodies import ball, cast_of, frustum, sagitta_mm, worked
from reading_html import parsed, words_of

from blockout.arms.laying import lay_arm
from blockout.mesh import Floats, Mesh
from blockout.report.page.section import CutBody, Section, terminal_sections
from blockout.report.page.section_drawing import Drawing, clipped, draw_section
from blockout.surveying.survey import Survey

AROUND = 192
FACET_MM = sagitta_mm(RADIUS_MM, AROUND)


@cache
def whole_tooth() -> Survey:
    """The ball on its plate, surveyed straight down, once for all tests here."""
    survey: Survey = ball_tooth(around=AROUND)[0]
    return survey


def on_ball(azimuth_deg: float, below_mm: float) -> Floats:
    turn = np.radians(azimuth_deg)
    level_mm = np.sqrt(RADIUS_MM**2 - below_mm**2)
    return np.array([level_mm * np.cos(turn), level_mm * np.sin(turn), EQUATOR_MM - below_mm])


@pytest.mark.parametrize("azimuth_deg", [0.0, 37.0, 200.0])
@pytest.mark.parametrize("depth_mm", [0.05, 0.25, 0.75])
def test_the_depth_is_that_of_a_circle(azimuth_deg: float, depth_mm: float) -> None:
    survey = whole_tooth()
    terminal = on_ball(azimuth_deg, height_for_mm(depth_mm))
    (section,) = terminal_sections(survey.cast, (), survey.path, [terminal])
    # closed form: u = R - sqrt(R^2 - h^2), and the facets lie inside the circle
    assert section.depth_mm == pytest.approx(depth_mm, abs=2.0 * FACET_MM)
    # the rod touches at the equator, h above the terminal
    assert section.contour_mm == pytest.approx(height_for_mm(depth_mm), abs=0.35)
    profile = next(line.points_mm for line in section.outlines if line.kind == "cast")
    # closed form: the profile of a ball in a plane through its axis is its circle
    centre = np.array([depth_mm - RADIUS_MM, height_for_mm(depth_mm)])
    off_mm = np.linalg.norm(profile - centre, axis=1)
    flank = (profile[:, 0] > -2.0) & (profile[:, 1] > -0.5)
    assert np.abs(off_mm[flank] - RADIUS_MM).max() < 2.0 * FACET_MM


@pytest.mark.parametrize("lean_deg", [10.0, 20.0])
def test_the_depth_is_that_of_a_flat_wall(lean_deg: float) -> None:
    height_mm, down_mm = 4.0, 1.5
    slope = np.tan(np.radians(lean_deg))
    body = frustum(4.0, 4.0 + height_mm * slope, height_mm, around=180)
    work = worked(cast_of(body))
    radius_mm = 4.0 + (height_mm - down_mm) * slope
    # the middle of a facet's side
    turn = np.pi / 180.0
    inside = np.cos(turn) * radius_mm
    terminal = np.array([inside * np.cos(turn), inside * np.sin(turn), height_mm - down_mm])
    wax = CutBody("parallel", "parallel", work.wax)
    (section,) = terminal_sections(work.cast, (wax,), work.survey.path, [terminal])
    # closed form: u = h tan a, times cos(pi / n) for the middle of a side of the n-gon
    assert section.depth_mm == pytest.approx(down_mm * slope * np.cos(turn), abs=2e-4)
    fills = [line.points_mm for line in section.outlines if line.kind == "parallel"]
    wall = max(fills, key=lambda points: float(points[:, 0].max()))
    # parallel blockout ends in the wall that the gauge's rod stands on
    assert wall[:, 0].max() == pytest.approx(section.depth_mm, abs=5e-4)


def test_a_tilted_path_turns_the_section_with_it() -> None:
    survey = whole_tooth()
    work = worked(survey.cast, tilt_deg=(6.0, -4.0))
    path = work.survey.path
    side = np.cross(path.direction, [0.3, 0.8, 0.1])
    side /= np.linalg.norm(side)
    down_mm = height_for_mm(0.4)
    centre = np.array([0.0, 0.0, EQUATOR_MM])
    terminal = centre + (RADIUS_MM - 0.4) * side - down_mm * path.direction
    (section,) = terminal_sections(work.cast, (), path, [terminal])
    # closed form: a ball looks the same along every path
    assert section.depth_mm == pytest.approx(0.4, abs=4.0 * FACET_MM)


def test_where_nothing_is_above_there_is_no_undercut() -> None:
    survey = whole_tooth()
    above = on_ball(70.0, -1.0)
    (section,) = terminal_sections(survey.cast, (), survey.path, [above])
    assert (section.depth_mm, section.contour_mm) == (0.0, None)
    drawing = draw_section(section)
    assert drawing.whole.wall_x is None
    # the surface falls away outward: of the cast's profile nothing stands right of the terminal
    # at its own height
    profile = next(line.points_mm for line in section.outlines if line.kind == "cast")
    level = np.abs(profile[:, 1]) < 0.02
    assert profile[level, 0].max() < 0.05


def _drawn(html: str) -> list[tuple[float, float]]:
    """Depth, and length of its dimension line in units of the drawing."""
    found = re.findall(r'data-depth-mm="([\d.e-]+)" data-from="([\d.]+)" data-to="([\d.]+)"', html)
    return [(float(depth), float(to) - float(start)) for depth, start, to in found]


def test_the_drawn_dimension_is_the_depth_in_the_drawings_own_scale(html: str) -> None:
    survey, teeth = ball_tooth(around=96)
    arm = lay_arm(survey, teeth, ball_case().arm[0])
    (section,) = terminal_sections(survey.cast, (), survey.path, [arm.terminal_mm])
    near = draw_section(section).near
    ((depth_mm, drawn),) = _drawn(html)
    assert depth_mm == pytest.approx(0.3, abs=2.0 * sagitta_mm(RADIUS_MM, 96))
    # by the scale bar beside it, to the hundredth of a unit that places are rounded to
    assert drawn * near.bar_mm / near.bar == pytest.approx(
        depth_mm, abs=0.03 * near.bar_mm / near.bar
    )
    (words,) = (
        words_of(part)
        for part in parsed(html).iter("{http://www.w3.org/2000/svg}text")
        if "data-depth-mm" in part.attrib
    )
    assert words == "0.30 mm"


def test_kinds_are_told_apart_without_colour(html: str) -> None:
    style = next(parsed(html).iter("style")).text or ""
    fills = dict(re.findall(r"\.body\.(\w+) \{ fill: (url\(#[\w-]+\)|none)", style))
    assert set(fills) == {"cast", "parallel", "ledge", "arbitrary", "relief", "bead"}
    assert len(set(fills.values())) == len(fills)
    patterns = {
        part.attrib["id"]: (
            part.attrib.get("patternTransform", ""),
            tuple((child.tag, child.attrib.get("d", "")) for child in part),
        )
        for part in parsed(html).iter("{http://www.w3.org/2000/svg}pattern")
    }
    assert len(patterns) == 5
    # no two hatches have the same strokes in the same direction
    assert len(set(patterns.values())) == len(patterns)


def _area_mm2(ring: Floats) -> float:
    x, y = ring.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


@pytest.mark.parametrize("seed", range(8))
def test_what_is_clipped_is_the_common_part(seed: int) -> None:
    import shapely

    random = np.random.default_rng(seed)
    turn = np.sort(random.uniform(0.0, 2.0 * np.pi, 24))
    ring = random.uniform(1.0, 6.0, 24)[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    low, high = np.array([-2.0, -3.0]), np.array([3.5, 1.5])
    inside = clipped(ring, low=low, high=high)
    # judge: shapely's intersection
    judge = shapely.intersection(shapely.Polygon(ring), shapely.box(*low, *high))
    assert _area_mm2(inside) == pytest.approx(judge.area, abs=1e-9)
    assert (inside >= low - 1e-12).all()
    assert (inside <= high + 1e-12).all()


def test_what_lies_outside_leaves_nothing() -> None:
    square = np.array([[5.0, 5.0], [6.0, 5.0], [6.0, 6.0], [5.0, 6.0]])
    assert len(clipped(square, low=np.zeros(2), high=np.ones(2))) == 0


def test_a_hole_in_a_section_stays_a_hole() -> None:
    outer, inner = ball(3.0, subdivisions=3), ball(1.0, subdivisions=3)
    # a hollow ball: the inner skin turned inside out
    hollow = Mesh(
        np.concatenate([outer.vertices, inner.vertices]),
        np.concatenate([outer.faces, inner.faces[:, ::-1] + len(outer.vertices)]),
    )
    survey = whole_tooth()
    body = CutBody("shell", "relief", hollow)
    (section,) = terminal_sections(survey.cast, (body,), survey.path, [np.array([0.0, 0.0, 0.5])])
    drawing: Drawing = draw_section(Section(section.depth_mm, section.outlines, None))
    (shape,) = (shape for shape in drawing.whole.shapes if shape.name == "shell")
    assert shape.d.count("M") == 2


def test_no_arm_no_section() -> None:
    survey = whole_tooth()
    assert terminal_sections(survey.cast, (), survey.path, []) == []
