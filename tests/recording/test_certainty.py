"""How sure: counts of placings, depths on a ball by closed form, planes, volumes; seeded."""

from __future__ import annotations

import math

import numpy as np
import pytest
import trimesh
from bodies import ball_on_plate, box, cast_of, surveyed, turn_about, united
from plain_arm import EQUATOR_MM, RADIUS_MM, arm_at, terminal_at
from scipy.stats import binom

from blockout.arms.alloys import ALLOYS
from blockout.arms.mechanics import half_round, tip_force_n
from blockout.case.recording_settings import SurenessSettings
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.mesh import Mesh
from blockout.recording.air import AirBelow
from blockout.recording.certainty import TILTS_PER_ERROR, Sureness, sureness
from blockout.recording.guiding import GuidingSurface, guides_beside_gaps
from blockout.recording.tolerance_interval import confidence_of, interval, rank_for, trials_needed
from blockout.surveying.columns import volume_under_mm3
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import Survey

EXACT = {"scan_noise_mm": 0.0}


# --- how many placings ---------------------------------------------------------------------------
def test_ninety_three_placings_are_the_fewest_for_95_of_95():
    """S. S. Wilks (1941); 93, 153 and 208 are the known numbers for two-sided limits of the first
    three orders (from memory). The sum below is the binomial one, worked out apart.
    """
    assert [trials_needed(rank=rank) for rank in (1, 2, 3)] == [93, 153, 208]
    p = 0.95
    for trials in (20, 92, 93, 300):
        closed = 1.0 - trials * p ** (trials - 1) + (trials - 1) * p**trials
        assert confidence_of(trials) == pytest.approx(closed, abs=1e-12)
        for rank in (1, 2, 5):
            # at most trials - 2 rank of the trials fall short of the share held
            summed = float(binom.cdf(trials - 2 * rank, trials, p))
            assert confidence_of(trials, rank=rank) == pytest.approx(summed, abs=1e-12)
    assert rank_for(93) == rank_for(152) == 1
    assert rank_for(153) == 2
    assert interval(np.array([5.0, 1.0, 4.0, 2.0, 3.0]), rank=2) == (2.0, 4.0)


def test_intervals_hold_what_they_promise():
    """Against many repeated trials of a skew distribution: 95 of 100 intervals hold 95 %."""
    random = np.random.default_rng(8)
    drawn = np.sort(random.exponential(size=(4000, 93)), axis=1)
    held = np.exp(-drawn[:, 0]) - np.exp(-drawn[:, -1])
    assert 0.94 < (held >= 0.95).mean() < 0.96


# --- a ball, of which all is known ---------------------------------------------------------------
@pytest.fixture(scope="module")
def ball_survey() -> Survey:
    body, scanned = ball_on_plate(
        radius_mm=RADIUS_MM, equator_mm=EQUATOR_MM, around=128, plate_mm=9.0
    )
    return surveyed(cast_of(body, scanned=scanned))


def sure_of(survey: Survey, *, arms=(), guides=(), places=2000, **settings) -> Sureness:
    return sureness(
        survey,
        arms=arms,
        guides=guides,
        settings=SurenessSettings(**settings),
        volume_places=places,
    )


def ball_depths_mm(depth_mm: float, error_deg: float, count: int = 20_000) -> np.ndarray:
    """Worked out apart from the definition: placings off by two normal tilts; on a ball the depth
    of a point p along d is R - sqrt(R^2 - h^2), h = -p . d.
    """
    random = np.random.default_rng(99)
    sigma = math.radians(error_deg) / math.sqrt(-2.0 * math.log(0.05))
    tilts = sigma * random.standard_normal((count, 2))
    angle = np.linalg.norm(tilts, axis=1)
    assert np.quantile(angle, 0.95) == pytest.approx(math.radians(error_deg), rel=0.02)
    side = tilts / angle[:, None]
    d = np.column_stack([np.sin(angle)[:, None] * side, np.cos(angle)])
    h = -(d @ (terminal_at(depth_mm) - [0.0, 0.0, EQUATOR_MM]))
    return RADIUS_MM - np.sqrt(np.maximum(RADIUS_MM**2 - h**2, 0.0))


@pytest.mark.parametrize("error_deg", [0.5, 2.0])
def test_depth_on_a_ball_spans_what_its_closed_form_spans(ball_survey, error_deg):
    sure = sure_of(ball_survey, arms=[arm_at(0.25)], repositioning_error_deg=error_deg, **EXACT)
    (arm,) = sure.arms
    facet_mm = RADIUS_MM * (1.0 - math.cos(math.pi / 128)) + 0.002
    assert arm.depth_mm.meant == pytest.approx(0.25, abs=facet_mm)
    every = ball_depths_mm(0.25, error_deg)
    held = (every > arm.depth_mm.low - facet_mm) & (every < arm.depth_mm.high + facet_mm)
    assert held.mean() >= 0.95
    low, high = np.quantile(every, [0.025, 0.975])
    assert every.min() - facet_mm < arm.depth_mm.low
    assert arm.depth_mm.high < every.max() + facet_mm
    assert arm.depth_mm.middle == pytest.approx(np.median(every), abs=0.15 * np.ptp([low, high]))
    # the force is in proportion (beam theory, half-round arm of 1.5 mm, tip half, 10 mm)
    per_mm = tip_force_n(
        half_round(0.75), modulus_gpa=arm_modulus(), tip_share=0.5, deflection_mm=1.0, length_mm=10
    )
    assert arm.force_n is not None
    for name in ("meant", "low", "high", "middle"):
        depth_mm, force_n = getattr(arm.depth_mm, name), getattr(arm.force_n, name)
        assert force_n == pytest.approx(per_mm * depth_mm, rel=1e-9)


def arm_modulus() -> float:
    return ALLOYS["cobalt-chromium"].modulus.value


def test_no_error_leaves_no_interval(ball_survey):
    sure = sure_of(
        ball_survey, arms=[arm_at(0.25)], repositioning_error_deg=0.0, samples=20, **EXACT
    )
    (arm,) = sure.arms
    assert arm.depth_mm.width < 1e-4
    assert arm.depth_mm.low == pytest.approx(arm.depth_mm.meant, abs=1e-4)
    assert sure.volume_mm3.width < 1e-9
    assert sure.volume_mm3.meant == ball_survey.volume_mm3
    assert sure.off_deg.max() < 1e-9
    assert sure.confidence < 0.95  # 20 placings are few, and that is told


def test_noise_alone_spreads_depths_by_two_surfaces(ball_survey):
    """The terminal and the height of contour each move: variance 2 s^2."""
    noise_mm = 0.02
    sure = sure_of(
        ball_survey,
        arms=[arm_at(0.25)],
        repositioning_error_deg=0.0,
        scan_noise_mm=noise_mm,
        samples=93,
    )
    depth = sure.arms[0].depth_mm
    # the range of 93 normal draws is 4.9 standard deviations on average
    expected = 4.9 * noise_mm * math.sqrt(2.0)
    assert sure.rank == 1
    assert depth.width == pytest.approx(expected, rel=0.25)
    assert depth.middle == pytest.approx(0.25, abs=0.01)


def test_more_error_never_less_spread_and_the_same_seed_the_same(ball_survey):
    arms = [arm_at(0.25), arm_at(0.1, role="reciprocal")]
    widths = []
    for error_deg in (0.3, 1.0):
        sure = sure_of(
            ball_survey, arms=arms, repositioning_error_deg=error_deg, samples=20, **EXACT
        )
        widths.append([sure.arms[0].depth_mm.width, sure.volume_mm3.width])
    assert (np.diff(widths, axis=0) > 0.0).all()
    again = sure_of(ball_survey, arms=arms, repositioning_error_deg=1.0, samples=20, **EXACT)
    assert again.arms == sure.arms
    assert again.volume_mm3 == sure.volume_mm3
    other = sure_of(
        ball_survey, arms=arms, repositioning_error_deg=1.0, samples=20, seed=2, **EXACT
    )
    assert other.arms[0].depth_mm.low != sure.arms[0].depth_mm.low
    # fewer arms leave the others as they are
    alone = sure_of(ball_survey, arms=arms[:1], repositioning_error_deg=1.0, samples=20, **EXACT)
    assert alone.arms[0].depth_mm.low == pytest.approx(sure.arms[0].depth_mm.low, abs=1e-4)
    assert sure.arms[1].force_n is None


def test_angles_of_placings_are_spread_as_stated(ball_survey):
    """Rayleigh: 95 of 100 within the error, the median at sigma sqrt(2 ln 2)."""
    sure = sure_of(ball_survey, repositioning_error_deg=0.8, samples=200, places=200, **EXACT)
    assert len(sure.off_deg) == 200
    assert (sure.off_deg <= 0.8).mean() == pytest.approx(0.95, abs=0.03)
    sigma = 0.8 * TILTS_PER_ERROR
    assert np.median(sure.off_deg) == pytest.approx(sigma * math.sqrt(2 * math.log(2)), rel=0.1)


def test_a_terminal_at_the_survey_line_falls_out_of_undercut_half_the_time(ball_survey):
    sure = sure_of(ball_survey, arms=[arm_at(0.0005)], repositioning_error_deg=3.0, **EXACT)
    assert 0.25 < sure.arms[0].out_of_undercut_share < 0.6
    assert sure.arms[0].depth_mm.low == 0.0
    assert sure.arms[0].force_n is not None
    assert sure.arms[0].force_n.low == 0.0


# --- planes --------------------------------------------------------------------------------------
def block_with_wall(lean_deg: float) -> tuple[Survey, GuidingSurface]:
    """A block one side of which leans by an angle, finely divided."""
    body = box((-8.0, -6.0, -5.0), (8.0, 6.0, 5.0))
    fine = Mesh(body.vertices, body.faces)
    for _ in range(4):
        vertices, faces = trimesh.remesh.subdivide(fine.vertices, fine.faces)
        fine = Mesh(vertices, faces)
    moved = np.array(fine.vertices)
    moved[:, 0] -= (
        (moved[:, 2] + 5.0)
        * math.tan(math.radians(lean_deg))
        * (moved[:, 0] > 0)
        * (moved[:, 0] / 8.0)
    )
    mesh = Mesh(moved, fine.faces)
    survey = surveyed(cast_of(mesh))
    face = np.flatnonzero(mesh.face_normals[:, 0] > 0.9)
    total = mesh.face_crosses[face].sum(axis=0)
    normal = total / np.linalg.norm(total)
    return survey, GuidingSurface(
        name="46 mesial",
        tooth=46,
        aspect="mesial",
        face=face,
        area_mm2=float(mesh.face_areas_mm2[face].sum()),
        height_mm=10.0,
        normal=normal,
        lean_deg=float(np.degrees(np.arcsin(normal[2]))),
        wall_normals=np.zeros((0, 3)),
        wall_length_mm=0.0,
    )


@pytest.mark.parametrize("lean_deg", [0.0, 4.0])
def test_a_plane_leans_by_the_tilt_across_it(lean_deg):
    """Closed form: only the tilt across the plane counts, so its angle is normal with the standard
    deviation of one tilt, about the angle that is meant.
    """
    survey, guide = block_with_wall(lean_deg)
    assert guide.lean_deg == pytest.approx(lean_deg, abs=1e-6)
    sure = sure_of(
        survey, guides=[guide], repositioning_error_deg=1.0, samples=500, places=200, **EXACT
    )
    (plane,) = sure.planes
    sigma = 1.0 / math.sqrt(-2.0 * math.log(0.05))
    assert plane.lean_deg.meant == pytest.approx(lean_deg, abs=1e-6)
    assert plane.lean_deg.width == pytest.approx(2.0 * 2.14 * sigma, rel=0.15)
    assert plane.lean_deg.middle == pytest.approx(lean_deg, abs=0.05)


def test_noise_within_a_plane_hardly_turns_it():
    survey, guide = block_with_wall(2.0)
    sure = sure_of(
        survey, guides=[guide], repositioning_error_deg=0.0, scan_noise_mm=0.02, samples=93
    )
    (plane,) = sure.planes
    # the mean normal hangs on the rim alone: of the upper and the lower edge, 10 mm apart, each of
    # 15 vertices counts 1 / 16 and both corners half of that; noise there runs at 45 degrees (60 at
    # the corners); the range of 93 normal draws is 4.9 standard deviations
    moved_mm = 0.02 * math.sqrt(2.0 * (15.0 * 0.5 + 2.0 * 0.25 / 3.0)) / 16.0
    sd_deg = math.degrees(moved_mm / 10.0)
    assert plane.lean_deg.width == pytest.approx(4.9 * sd_deg, rel=0.25)
    assert plane.lean_deg.low < 2.0 < plane.lean_deg.high


# --- volume --------------------------------------------------------------------------------------
def bumpy() -> Cast:
    parts = [box((-14.0, -12.0, -4.0), (14.0, 12.0, -2.0))]
    for centre in ((-6.0, 1.0, 1.5), (6.5, -3.0, 1.0), (2.0, 6.0, 0.5)):
        body, _ = ball_on_plate(radius_mm=4.0, equator_mm=2.0, around=64, plate_mm=5.0)
        parts.append(Mesh(body.vertices @ turn_about((1, 2, 3), 7.0).T + centre, body.faces))
    return cast_of(united(parts), floor_mm=-4.0)


def test_volumes_by_fixed_places_change_as_the_survey_s_own_do():
    cast = bumpy()
    below = AirBelow(cast, places=60_000)
    own, fixed = [], []
    for tilt_deg in ((0.0, 0.0), (0.7, 0.0), (-0.4, 0.9), (0.0, -1.0)):
        path = insertion_path(
            cast.frame,
            arch="lower",
            settings=PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1]),
        )
        down = np.flatnonzero(cast.scanned & (cast.mesh.face_normals @ path.direction < -1e-9))
        own.append(volume_under_mm3(cast, path, down).sum())
        fixed.append(below.volume_mm3(path.direction))
    own, fixed = np.array(own), np.array(fixed)
    np.testing.assert_allclose(fixed, own, rtol=0.02)
    changes, told = np.diff(own), np.diff(fixed)
    assert np.abs(told - changes).max() < 0.1 * np.abs(changes).max() + 1e-3 * own[0]


def test_noise_of_volume_is_what_moving_vertices_makes():
    """Against vertices really moved, many times over."""
    body, scanned = ball_on_plate(radius_mm=5.0, equator_mm=3.5, around=48, plate_mm=9.0)
    survey = surveyed(cast_of(body, scanned=scanned))
    noise_mm = 0.01
    sure = sure_of(
        survey, repositioning_error_deg=0.0, scan_noise_mm=noise_mm, samples=500, places=200
    )
    told_sd = sure.volume_mm3.width / (2.0 * 2.14)
    random = np.random.default_rng(4)
    on_ball = np.linalg.norm(body.vertices - [0.0, 0.0, 3.5], axis=1) < 5.001
    on_ball &= np.linalg.norm(body.vertices - [0.0, 0.0, 3.5], axis=1) > 4.9
    volumes = []
    for _ in range(60):
        shift = noise_mm * random.standard_normal(len(body.vertices)) * on_ball
        moved = cast_of(
            Mesh(body.vertices + shift[:, None] * body.vertex_normals, body.faces), scanned=scanned
        )
        down = np.flatnonzero(scanned & (moved.mesh.face_normals[:, 2] < -1e-9))
        volumes.append(volume_under_mm3(moved, survey.path, down).sum())
    assert 0.5 < told_sd / np.std(volumes) < 2.0


# --- guides --------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("arch", "standing", "missing", "expected"),
    [
        ("lower", (44, 43, 42, 41, 31, 32, 33), (45, 46), ((44, "distal"),)),
        ("upper", (11, 21, 23), (12, 22), ((11, "distal"), (21, "distal"), (23, "mesial"))),
        ("lower", (42, 31), (41,), ((42, "mesial"), (31, "mesial"))),
        ("upper", (17, 27), (18, 28), ()),
        ("lower", (47,), (48, 46), ((47, "mesial"),)),
    ],
)
def test_sides_that_face_a_gap_are_found(arch, standing, missing, expected):
    assert guides_beside_gaps(arch, standing, missing) == expected
