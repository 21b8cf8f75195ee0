"""Pictures against closed forms: spheres and cubes whose outline, height and hidden parts are
known without drawing them.
"""

from types import SimpleNamespace

import igl
import numpy as np
import pytest
from PIL import Image

from blockout.cast.frame import CastFrame
from blockout.errors import OutputError
from blockout.mesh import Mesh, joined
from blockout.report import colours
from blockout.report.colours import PAPER, PLASTER, depth_colours
from blockout.report.pen import draw_lines
from blockout.report.pictures import (
    draw_bodies,
    draw_model,
    draw_survey,
    survey_pictures,
    write_picture,
)
from blockout.report.scene import Body, Line, Scene, Window, face_paint, fit_window, plain_paint
from blockout.report.sheet import Layout
from blockout.report.view import VIEWS, View, bench_view

UPRIGHT = CastFrame(np.eye(4))
UP = np.array([0.0, 0.0, 1.0])
ABOVE = View("occlusal", "From above", UP, np.array([0.0, 1.0, 0.0]))
RED = (0.9, 0.1, 0.1)


def ball(radius=5.0, *, centre=(0.0, 0.0, 0.0), rings=96):
    """A sphere of latitude rings, poles on z, corners on the sphere."""
    sides = 2 * rings
    polar = np.linspace(0.0, np.pi, rings + 1)[1:-1]
    around = np.arange(sides) * (2.0 * np.pi / sides)
    ring = np.stack(
        [
            np.outer(np.sin(polar), np.cos(around)),
            np.outer(np.sin(polar), np.sin(around)),
            np.repeat(np.cos(polar)[:, None], sides, axis=1),
        ],
        axis=-1,
    ).reshape(-1, 3)
    vertices = np.concatenate([ring, [[0, 0, 1], [0, 0, -1]]]) * radius + np.asarray(centre)
    top, bottom = len(ring), len(ring) + 1
    faces = []
    for row in range(rings - 2):
        a = row * sides + np.arange(sides)
        b = row * sides + (np.arange(sides) + 1) % sides
        faces += [np.stack([a, a + sides, b], axis=1), np.stack([b, a + sides, b + sides], axis=1)]
    first = np.arange(sides)
    last = (rings - 2) * sides + first
    faces.append(np.stack([np.full(sides, top), first, (first + 1) % sides], axis=1))
    faces.append(np.stack([np.full(sides, bottom), last[0] + (first + 1) % sides, last], axis=1))
    return Mesh(vertices, np.concatenate(faces))


def box(low, high):
    x, y, z = np.meshgrid(*zip(low, high, strict=True), indexing="ij")
    vertices = np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1)
    faces = [
        (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
        (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
    ]  # fmt: skip
    return Mesh(vertices, faces)


def ball_survey(*, radius=5.0, deepest=True):
    """The survey of a ball on a slab along +z, by closed form, in the shape that pictures ask for:
    depth R - sqrt(R^2 - h^2) at height h under the equator; the survey line is the equator.
    """
    sphere = ball(radius, centre=(0.0, 0.0, radius))
    slab = box((-9.0, -9.0, -4.0), (9.0, 9.0, 0.4))
    mesh = joined([sphere, slab])
    scanned = np.arange(mesh.triangle_count) < sphere.triangle_count
    below = np.maximum(radius - mesh.vertices[:, 2], 0.0)
    depth_mm = np.where(below > 0.0, radius - np.sqrt(np.maximum(radius**2 - below**2, 0.0)), 0.0)
    depth_mm[len(sphere.vertices) :] = 0.0
    if not deepest:
        depth_mm[:] = 0.0
    turn = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)

    def ring(height, wide):
        points = np.stack([wide * np.cos(turn), wide * np.sin(turn), np.full(200, height)], axis=1)
        return SimpleNamespace(points_mm=points, closed=True)

    gauges = (0.25, 0.5, 0.75) if deepest else ()
    return SimpleNamespace(
        cast=SimpleNamespace(
            mesh=mesh, scanned=scanned, frame=UPRIGHT, arch="lower", arch_stated=True
        ),
        path=SimpleNamespace(direction=UP, anterior_tilt_deg=0.0, lateral_tilt_deg=0.0),
        depth_mm=depth_mm,
        undercut_share=(depth_mm[mesh.faces] > 0.0).mean(axis=1) * scanned,
        survey_lines=(ring(radius, radius),),
        # oracle: u = R - sqrt(R^2 - h^2), so h = sqrt(2 R u - u^2)
        iso_lines={
            u: (ring(radius - np.sqrt(2 * radius * u - u * u), radius - u),) for u in gauges
        },
        noise_depth_mm=0.0,
        volume_mm3=np.pi * radius**3 / 3.0 if deepest else 0.0,
        area_mm2=2.0 * np.pi * radius**2 if deepest else 0.0,
        max_depth_mm=radius if deepest else 0.0,
    )


# --- colours -------------------------------------------------------------------------------------
def test_the_ramp_is_viridis_turned_round():
    # independent table: libigl's 256 colours of viridis
    share = np.linspace(0.0, 1.0, 256)
    table = igl.colormap(igl.ColorMapType.VIRIDIS, share, False)[::-1]
    assert np.abs(depth_colours(share * 0.75, deepest_mm=0.75) - table).max() <= 2.0 / 255.0


def test_the_ramp_grows_darker_all_the_way():
    ramp = depth_colours(np.linspace(0.0, 1.0, 200), deepest_mm=1.0)
    bright = ramp @ np.array([0.2126, 0.7152, 0.0722])
    assert (np.diff(bright) < 0.0).all()


def test_deeper_than_the_last_gauge_keeps_the_last_colour():
    far = depth_colours([0.75, 3.0, 1e9], deepest_mm=0.75)
    assert np.array_equal(far[0], far[1])
    assert np.array_equal(far[0], far[2])


# --- views ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", VIEWS)
@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_views_are_right_handed_and_stand_on_the_path(name, arch):
    direction = np.array([0.1, -0.2, 1.0])
    direction /= np.linalg.norm(direction)
    view = bench_view(name, frame=UPRIGHT, direction=direction, arch=arch)
    assert np.allclose(view.axes @ view.axes.T, np.eye(3), atol=1e-12)
    assert np.linalg.det(view.axes) == pytest.approx(1.0)
    assert np.allclose(view.toward if name == "occlusal" else view.up, direction)


# the cast frame: the patient's right is on +x of a lower cast and on -x of an upper one
@pytest.mark.parametrize(
    ("name", "arch", "left", "right"),
    [
        ("occlusal", "lower", "patient's left", "patient's right"),
        ("occlusal", "upper", "patient's right", "patient's left"),
        ("front", "lower", "patient's right", "patient's left"),
        ("front", "upper", "patient's left", "patient's right"),
        ("back", "lower", "patient's left", "patient's right"),
        ("left", "lower", "front", "back"),
        ("right", "lower", "back", "front"),
    ],
)
def test_what_lies_left_and_right_in_a_view(name, arch, left, right):
    view = bench_view(name, frame=UPRIGHT, direction=UP, arch=arch)
    assert view.edges[:2] == (left, right)
    # the words agree with where a point on that side lands
    places = {
        "patient's right": (1.0 if arch == "lower" else -1.0, 0.0, 0.0),
        "patient's left": (-1.0 if arch == "lower" else 1.0, 0.0, 0.0),
        "front": (0.0, 1.0, 0.0),
        "back": (0.0, -1.0, 0.0),
    }
    assert np.dot(places[left], view.right) == pytest.approx(-1.0)
    assert np.dot(places[right], view.right) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("name", "arch", "side"),
    [("left", "lower", "left"), ("right", "lower", "right"), ("left", "upper", "right")],
)
def test_a_side_view_says_whose_side_it_is(name, arch, side):
    view = bench_view(name, frame=UPRIGHT, direction=UP, arch=arch)
    assert f"patient's {side}" in view.title


def test_an_arch_that_was_assumed_is_said_with_doubt():
    view = bench_view("occlusal", frame=UPRIGHT, direction=UP, arch="lower", arch_stated=False)
    assert view.edges[1] == "patient's right (if lower)"


def test_no_such_view():
    with pytest.raises(ValueError, match=r"'top' is no view; there are occlusal"):
        bench_view("top", frame=UPRIGHT, direction=UP, arch="lower")


# --- scenes --------------------------------------------------------------------------------------
def test_a_ball_covers_a_disc_of_its_radius():
    window = Window(400, 300, 20.0, (1.0, -0.5))
    pixels = Scene((Body(ball(), plain_paint(RED)),)).look(ABOVE, window)
    # closed form: pi R^2; the 192-gon's area is 1 - 1.8e-4 of the circle's
    assert pixels.cover.sum() / 20.0**2 == pytest.approx(np.pi * 25.0, rel=5e-4)
    assert 0.0 < np.mean((pixels.cover > 0) & (pixels.cover < 1)) < 0.02


@pytest.mark.parametrize("toward", [(0, 0, 1), (1, 0, 0), (0, -1, 0), (0.6, 0.0, 0.8)])
def test_the_heights_are_those_of_the_ball(toward):
    centre = np.array([3.0, -2.0, 7.0])
    toward = np.array(toward, dtype=float)
    up = np.cross(toward, [0.0, 1.0, 0.0]) if abs(toward[1]) < 0.5 else UP
    view = View("any", "", toward, up / np.linalg.norm(up))
    mesh = ball(centre=centre)
    window = fit_window([mesh], view, width_px=200, height_px=200, margin_px=10)
    heights = Scene((Body(mesh, plain_paint(RED)),)).look(view, window).height_mm
    rows, columns = np.mgrid[0:200, 0:200]
    flat = window.to_mm(np.stack([columns, rows], axis=-1)) - view.axes[:2] @ centre
    inside = np.hypot(flat[..., 0], flat[..., 1]) < 4.8
    expected = centre @ toward + np.sqrt(25.0 - np.sum(flat[inside] ** 2, axis=1))
    # facets of 1.9 degrees: sagitta 5 (1 - cos 0.94 deg) = 0.7 um, 2.5 um at 16 degrees of slope
    assert np.abs(heights[inside] - expected).max() < 0.005
    assert np.isneginf(heights[np.hypot(flat[..., 0], flat[..., 1]) > 5.01]).all()


def test_the_window_holds_all_and_no_more():
    mesh = box((0, 0, 0), (30, 10, 5))
    window = fit_window([mesh], ABOVE, width_px=340, height_px=200, margin_px=20)
    assert window.px_per_mm == pytest.approx(10.0)
    corners = window.to_px(np.array([[0.0, 0.0], [30.0, 10.0]]))
    assert np.allclose(corners, [[19.5, 149.5], [319.5, 49.5]])
    assert np.allclose(window.to_mm(corners), [[0.0, 0.0], [30.0, 10.0]])


def _flat_scene(*bodies, lines=()):
    """The colours of a 10 x 10 mm field seen from above at 10 px a mm."""
    window = Window(100, 100, 10.0, (5.0, 5.0))
    pixels = Scene(bodies).look(ABOVE, window)
    ground = np.asarray(PAPER) * (1 - pixels.cover[..., None])
    picture = ground + pixels.colours * pixels.cover[..., None]
    return draw_lines(picture, lines, view=ABOVE, window=window, pixels=pixels)


def test_what_lies_in_front_hides_what_lies_behind():
    low = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((0.0, 0.0, 1.0)))
    high = Body(box((5, 0, 1), (10, 10, 2)), plain_paint((1.0, 0.0, 0.0)))
    for bodies in ((low, high), (high, low)):
        picture = _flat_scene(*bodies)
        assert (picture[:, 5:45, 2] > 0.3).all()
        assert (picture[:, 5:45, 0] == 0.0).all()
        assert (picture[:, 55:95, 0] > 0.3).all()
        assert (picture[:, 55:95, 2] == 0.0).all()


def test_faces_keep_their_own_colours():
    mesh = box((0, 0, 0), (10, 10, 1))
    tones = np.where(mesh.face_centres[:, :1] > 5.0, (0.0, 1.0, 0.0), (1.0, 0.0, 0.0))
    picture = _flat_scene(Body(mesh, face_paint(tones)))
    assert set(np.argmax(picture[10:90, 10:90].reshape(-1, 3), axis=1)) == {0, 1}


def test_glaze_lets_the_opaque_shine_through_and_a_hidden_body_shows_only_where_asked():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    bare = _flat_scene(slab)[50, 50]
    glaze = Body(box((2, 2, 1), (8, 8, 2)), plain_paint((0.0, 0.0, 0.0)), opacity=0.25)
    assert np.allclose(_flat_scene(slab, glaze)[50, 50], 0.75 * bare, atol=0.05)
    under = box((2, 2, -3), (8, 8, -2))
    hidden = Body(under, plain_paint(RED))
    assert np.allclose(_flat_scene(slab, hidden), _flat_scene(slab))
    shown = Body(under, plain_paint(RED), opacity=0.5, shown_through=True)
    seen = _flat_scene(slab, shown)
    assert np.allclose(seen[50, 50], 0.5 * bare + 0.5 * np.array(RED), atol=1e-6)
    assert np.allclose(seen[5, 5], _flat_scene(slab)[5, 5])


def test_hatching_is_seen_without_colour():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    wax = box((1, 1, 1), (9, 9, 2))
    glaze = {"opacity": 0.9}
    smooth = _flat_scene(slab, Body(wax, plain_paint((0.4,) * 3), **glaze))[20:80, 20:80]
    hatched = _flat_scene(slab, Body(wax, plain_paint((0.4,) * 3), hatch_deg=45.0, **glaze))
    assert np.ptp(smooth) < 0.02
    assert np.ptp(hatched[20:80, 20:80]) > 0.08


@pytest.mark.parametrize("place", [(1e4, -2e4, 5e3), (-1e5, 0.0, 1e5)])
def test_a_cast_far_from_the_origin_looks_the_same(place):
    near, far = (Body(ball(centre=at), plain_paint(RED)) for at in ((0, 0, 0), place))
    flat = (place[0], place[1])
    one = Scene((near,)).look(ABOVE, Window(120, 120, 10.0, (0.0, 0.0)))
    other = Scene((far,)).look(ABOVE, Window(120, 120, 10.0, flat))
    assert np.abs(one.colours - other.colours).max() < 0.02
    assert np.abs(one.cover - other.cover).max() <= 0.25


# --- lines ---------------------------------------------------------------------------------------
def _dark(picture):
    return picture.max(axis=2) < 0.25


def _line(*points, **style):
    return Line(np.array(points, dtype=float), False, (0.0, 0.0, 0.0), **style)


def test_a_line_on_top_is_drawn_and_one_beneath_is_not():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    on_top = _flat_scene(slab, lines=[_line((1, 5, 1), (9, 5, 1), width_px=3.0)])
    assert _dark(on_top)[49:51, 12:88].all()
    assert not _dark(on_top)[:45].any()
    beneath = _flat_scene(slab, lines=[_line((1, 5, 0), (9, 5, 0), width_px=3.0)])
    assert not _dark(beneath).any()


def test_a_line_is_hidden_exactly_where_something_stands_before_it():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    tower = Body(box((4, 0, 1), (6, 10, 8)), plain_paint((1.0, 1.0, 1.0)))
    picture = _flat_scene(slab, tower, lines=[_line((0, 5, 1), (10, 5, 1), width_px=3.0)])
    row = _dark(picture)[49]
    assert row[2:37].all()
    assert not row[42:58].any()
    assert row[63:97].all()


def test_dashes_cover_their_share():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    full = _line((0, 5, 1), (10, 5, 1), width_px=2.0)
    dashed = _line((0, 5, 1), (10, 5, 1), width_px=2.0, dash_px=(9.0, 3.0))
    shares = [_dark(_flat_scene(slab, lines=[line]))[50].mean() for line in (full, dashed)]
    assert shares[1] / shares[0] == pytest.approx(0.75, abs=0.08)


def test_a_closed_line_comes_back_to_its_start():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    corners = np.array([[2, 2, 1], [8, 2, 1], [8, 8, 1], [2, 8, 1]], dtype=float)
    for closed, dark in ((True, True), (False, False)):
        picture = _flat_scene(slab, lines=[Line(corners, closed, (0.0, 0.0, 0.0), 3.0)])
        assert _dark(picture)[40:60, 19:21].all() == dark


def test_lines_that_are_no_lines_are_left_out():
    slab = Body(box((0, 0, 0), (10, 10, 1)), plain_paint((1.0, 1.0, 1.0)))
    empty = Line(np.zeros((0, 3)), True)
    point = Line(np.array([[5.0, 5.0, 1.0]]), False)
    assert np.array_equal(_flat_scene(slab, lines=[empty, point]), _flat_scene(slab))


# --- pictures ------------------------------------------------------------------------------------
SMALL = (480, 360)


@pytest.mark.parametrize("view", VIEWS)
def test_a_survey_is_drawn_in_every_view(view):
    picture = draw_survey(ball_survey(), view=view, size_px=SMALL)
    assert picture.shape == (360, 480, 3)
    assert picture.dtype == np.uint8


def test_depth_has_its_colour_beside_and_below_the_equator_only():
    picture = draw_survey(ball_survey(), view="front", size_px=(1200, 900)).astype(float) / 255.0
    layout = Layout.of((1200, 900))
    drawing = picture[layout.top + 1 : -70, 30 : layout.legend_left - 2]
    colourful = np.ptp(drawing, axis=2) > 0.25
    assert colourful.any()
    # the ball's middle column: plaster above the equator, violet far below it
    rows = np.flatnonzero(colourful[:, drawing.shape[1] // 2])
    equator = rows.min()
    assert not colourful[: equator - 3].any()
    deep = drawing[rows.max() - 5, drawing.shape[1] // 2]
    assert deep[2] > deep[1]


def test_nothing_undercut_is_all_plaster_and_said():
    picture = draw_survey(ball_survey(deepest=False), view="front", size_px=SMALL)
    drawing = picture[Layout.of(SMALL).top + 1 : -40, 10 : Layout.of(SMALL).legend_left - 2]
    assert np.ptp(drawing.astype(int), axis=2).max() < 40


def test_views_made_together_are_the_same_as_one_by_one():
    survey = ball_survey()
    together = dict(survey_pictures(survey, views=("front", "occlusal"), size_px=SMALL))
    for view, picture in together.items():
        assert np.array_equal(picture, draw_survey(survey, view=view, size_px=SMALL))


def test_drawing_changes_nothing():
    survey = ball_survey()
    before = [survey.depth_mm.copy(), survey.cast.mesh.vertices.copy(), survey.cast.scanned.copy()]
    draw_survey(survey, view="occlusal", size_px=SMALL)
    after = [survey.depth_mm, survey.cast.mesh.vertices, survey.cast.scanned]
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))


def test_wax_is_seen_where_it_is_and_an_empty_part_is_said():
    survey = ball_survey()
    wax = SimpleNamespace(
        name="parallel", kind="parallel", volume_mm3=8.0, mesh=box((6, -1, 0.4), (8, 1, 3))
    )
    none = SimpleNamespace(name="spare", kind="relief", volume_mm3=0.0, mesh=None)
    bare, waxed = (
        draw_model(survey.cast, waxes, survey.path, view="occlusal", size_px=SMALL).astype(int)
        for waxes in ((), (wax, none))
    )
    left = Layout.of(SMALL).legend_left
    changed = np.abs(bare - waxed).max(axis=2) > 30
    rows, columns = (
        np.flatnonzero(changed[:, :left].any(1)),
        np.flatnonzero(changed[:, :left].any(0)),
    )
    # +x lies to the right of the middle, y = 0 in the middle of its height
    assert columns.min() > 0.6 * left
    assert abs(rows.mean() - (Layout.of(SMALL).top + 360) / 2) < 12
    wax_colour = np.array(colours.WAX["parallel"]) * 255.0
    patch = waxed[rows.mean().astype(int), columns.mean().astype(int)]
    assert np.argmax(patch) == np.argmax(wax_colour)


def test_any_bodies_make_a_sheet_without_a_legend():
    picture = draw_bodies([Body(ball(), plain_paint(PLASTER))], view=ABOVE, heading="A ball",
                          size_px=SMALL)  # fmt: skip
    assert picture.shape == (360, 480, 3)


@pytest.mark.parametrize("size_px", [(199, 900), (1200, 10)])
def test_a_picture_too_small_to_read_is_refused(size_px):
    with pytest.raises(ValueError, match="at least 200 x 150"):
        draw_survey(ball_survey(), view="front", size_px=size_px)


def test_a_written_picture_is_a_png_of_the_same_pixels(tmp_path):
    pixels = draw_survey(ball_survey(), view="left", size_px=SMALL)
    write_picture(tmp_path / "left.png", pixels)
    with Image.open(tmp_path / "left.png") as image:
        assert image.format == "PNG"
        assert np.array_equal(np.asarray(image), pixels)
    assert [entry.name for entry in tmp_path.iterdir()] == ["left.png"]


def test_a_picture_that_cannot_be_written_is_told(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(OutputError):
        write_picture(tmp_path / "file" / "left.png", np.zeros((10, 10, 3), dtype=np.uint8))
