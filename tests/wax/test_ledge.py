"""Ledges: volumes by closed form, what a second survey finds, and a real arch."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import igl
import numpy as np
import pytest
from scipy.integrate import quad

sys.path.insert(0, str(Path(__file__).parents[1] / "arms"))

from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth
from bodies import cast_of, sagitta_mm, surveyed
from invariants import assert_solid, scanned_again
from made_arm import arm_of, arm_on_parallel
from real_arches import needs_casts

from blockout.arms.arm import Arm
from blockout.arms.laying import lay_arm
from blockout.case.arm_settings import ArmSettings, LedgeSettings
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh
from blockout.surveying.survey import Survey, survey
from blockout.surveying.undercut import pulled_down
from blockout.teeth.crowns import find_crowns
from blockout.wax.ledge import LedgeBulk, ledge_bulk
from blockout.wax.space import free_space

AROUND = 192
SPAN_RAD = float(np.radians(80.0))
FILM_MM = 0.002


@pytest.fixture(scope="module")
def tooth() -> tuple[Survey, Any]:
    return ball_tooth(around=AROUND)


@pytest.fixture(scope="module")
def cast_solid(tooth: tuple[Survey, Any]) -> Solid:
    return Solid.from_mesh(tooth[0].cast.mesh)


def prescribed(**changed: Any) -> ArmSettings:
    values = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
    return ArmSettings(**(values | changed))


def inside(solid: Solid, points: Floats) -> np.ndarray:
    mesh = solid.mesh()
    return igl.winding_number(np.array(mesh.vertices), np.array(mesh.faces), points) > 0.5


# --- closed forms --------------------------------------------------------------------------------
def ledge_mm3(below_mm: float, shelf_mm: float, fall_deg: float) -> float:
    """Closed form, by integration: between the ball and the wall of radius R + s, from the border
    at ``below_mm`` under the equator to the plate, less the wedge over a falling top.
    """

    def ring(h: float) -> float:
        return 0.5 * SPAN_RAD * ((RADIUS_MM + shelf_mm) ** 2 - (RADIUS_MM**2 - h * h))

    border_mm = float(np.sqrt(RADIUS_MM**2 - below_mm**2))
    fall = float(np.tan(np.radians(fall_deg)))
    wedge = quad(lambda r: SPAN_RAD * fall * (r - border_mm) * r, border_mm, RADIUS_MM + shelf_mm)[
        0
    ]
    return float(quad(ring, below_mm, EQUATOR_MM)[0]) - wedge


@pytest.mark.parametrize("below_mm", [1.0, 1.5612])
@pytest.mark.parametrize(("shelf_mm", "fall_deg"), [(0.5, 0.0), (1.0, 0.0), (0.8, 10.0)])
def test_volume_and_shelf_on_a_ball(
    tooth: tuple[Survey, Any],
    cast_solid: Solid,
    below_mm: float,
    shelf_mm: float,
    fall_deg: float,
) -> None:
    settings = LedgeSettings(shelf_mm=shelf_mm, fall_deg=fall_deg, run_out_mm=0.0)
    bulk = ledge_bulk(tooth[0], arm_on_parallel(below_mm), settings)
    wax = bulk.solid - cast_solid
    expected_mm3 = ledge_mm3(below_mm, shelf_mm, fall_deg)
    # facets of ball and ledge are chords: of the height of the wall, each misses a sagitta
    facet_mm = sagitta_mm(RADIUS_MM + shelf_mm, AROUND) + sagitta_mm(RADIUS_MM, AROUND)
    wall_mm2 = SPAN_RAD * (RADIUS_MM + shelf_mm) * (EQUATOR_MM - below_mm)
    assert wax.volume_mm3 == pytest.approx(expected_mm3, abs=wall_mm2 * facet_mm)
    border_mm = np.sqrt(RADIUS_MM**2 - below_mm**2)
    shelf_mm2 = 0.5 * SPAN_RAD * ((RADIUS_MM + shelf_mm) ** 2 - border_mm**2)
    shelf_mm2 /= np.cos(np.radians(fall_deg))
    assert bulk.shelf_area_mm2 == pytest.approx(shelf_mm2, rel=2e-3)
    # the edge is sharp and where it should be: the shelf's width outside the wall of the undercut,
    # which on a ball is the equator's radius
    edge = bulk.edge_mm
    assert np.abs(np.hypot(*edge[:, :2].T) - RADIUS_MM - shelf_mm).max() < 0.003
    drop_mm = np.tan(np.radians(fall_deg)) * (RADIUS_MM + shelf_mm - border_mm)
    assert np.abs(edge[:, 2] - (EQUATOR_MM - below_mm - drop_mm)).max() < 0.003
    for body in (bulk.solid, bulk.window):
        assert_solid(body.mesh())
    assert len(np.unique(wax.mesh().face_components())) == 1


def test_walls_stand_along_the_path() -> None:
    survey_, _ = ball_tooth(around=96, tilt_deg=(5.0, 3.0))
    direction = survey_.path.direction
    bulk = ledge_bulk(survey_, _tilted(survey_, 1.2), LedgeSettings(run_out_mm=0.5))
    mesh = (bulk.solid - Solid.from_mesh(survey_.cast.mesh)).mesh()
    outside = np.linalg.norm(mesh.face_centres - [0.0, 0.0, EQUATOR_MM], axis=1) > RADIUS_MM + 0.05
    over = mesh.face_centres[:, 2] > 0.05
    big = mesh.face_areas_mm2 > 1e-4
    slope = np.abs(mesh.face_normals[outside & over & big] @ direction)
    # every free face is the level shelf or a wall
    assert ((slope < 1e-6) | (slope > 1.0 - 1e-6)).mean() > 0.95
    assert (slope > 1.0 - 1e-6).any()
    assert (slope < 1e-6).any()


def _tilted(found: Survey, below_mm: float) -> Arm:
    """The arm on a parallel of the tilted path."""
    flat = arm_on_parallel(below_mm)
    turn = found.path.to_path
    middle = np.array([0.0, 0.0, EQUATOR_MM])
    lower = (flat.lower - middle) @ turn + middle
    return arm_of(lower, depth_mm=flat.terminal_depth_mm)


def test_it_runs_out_past_the_tip_and_within_the_origin(
    tooth: tuple[Survey, Any], cast_solid: Solid
) -> None:
    run_mm, shelf_mm = 1.0, 0.8
    bulk = ledge_bulk(
        tooth[0], arm_on_parallel(1.0), LedgeSettings(shelf_mm=shelf_mm, run_out_mm=run_mm)
    )
    out_mm = np.hypot(*bulk.edge_mm[:, :2].T) - RADIUS_MM
    # azimuth from the origin, which is at -x here; the arm spans 80 degrees
    angle = np.degrees(np.arctan2(bulk.edge_mm[:, 0], bulk.edge_mm[:, 1])) + 40.0
    border_mm = np.sqrt(RADIUS_MM**2 - 1.0)
    run_deg = np.degrees(run_mm / border_mm)
    assert angle[0] == pytest.approx(0.0, abs=0.1)
    assert angle[-1] == pytest.approx(80.0 + run_deg, abs=2.0)
    assert bulk.notes == ()
    # it draws back to the wall of the undercut: at its end nothing stands out of that
    assert -0.03 < out_mm[0] <= 0.0
    assert abs(out_mm[-1]) < 0.15
    whole = (angle > run_deg + 0.2) & (angle < 79.8)
    assert np.abs(out_mm[whole] - shelf_mm).max() < 0.005
    assert (np.diff(out_mm[angle <= run_deg]) > 0.0).all()
    assert (np.diff(out_mm[angle > 80.2]) < 0.0).all()


# --- laws ----------------------------------------------------------------------------------------
def test_a_wider_shelf_holds_a_narrower_one(tooth: tuple[Survey, Any], cast_solid: Solid) -> None:
    arm = lay_arm(*tooth, prescribed())
    narrow, wide = (ledge_bulk(tooth[0], arm, LedgeSettings(shelf_mm=s)) for s in (0.5, 1.1))
    assert wide.solid.volume_mm3 > narrow.solid.volume_mm3
    # the ends of both are cut at the same places; rounding leaves films
    assert (narrow.solid - wide.solid).volume_mm3 < 0.01
    falling = ledge_bulk(tooth[0], arm, LedgeSettings(shelf_mm=0.5, fall_deg=10.0))
    assert (falling.solid - cast_solid).volume_mm3 < (narrow.solid - cast_solid).volume_mm3


@pytest.mark.parametrize("role", ["retentive", "reciprocal"])
def test_window_and_ledge_share_only_the_film_by_which_they_meet(
    tooth: tuple[Survey, Any], role: str
) -> None:
    bulk = ledge_bulk(tooth[0], lay_arm(*tooth, prescribed(role=role)))
    shared_mm3 = (bulk.solid ^ bulk.window).volume_mm3
    shelf_mm2 = bulk.shelf_area_mm2 + 0.7 * 9.0  # and what of it lies inside the tooth
    assert 0.0 < shared_mm3 <= 1.1 * FILM_MM * shelf_mm2


def test_it_overlaps_the_cast_wherever_it_meets_it(
    tooth: tuple[Survey, Any], cast_solid: Solid
) -> None:
    """No gap is left between ledge and tooth or gingiva: cast and ledge joined shut in no air."""
    bulk = ledge_bulk(tooth[0], lay_arm(*tooth, prescribed()))
    joined = (cast_solid + bulk.solid).mesh()
    assert_solid(joined)
    assert len(np.unique(joined.face_components())) == 1
    parts_mm3 = cast_solid.volume_mm3 + (bulk.solid - cast_solid).volume_mm3
    assert joined.volume_mm3 == pytest.approx(parts_mm3, rel=1e-9)


def test_nothing_is_changed_and_the_same_comes_out(tooth: tuple[Survey, Any]) -> None:
    arm = lay_arm(*tooth, prescribed())
    lower, depth = arm.lower.copy(), tooth[0].depth_mm.copy()
    first, second = (ledge_bulk(tooth[0], arm) for _ in range(2))
    assert np.array_equal(first.solid.mesh().vertices, second.solid.mesh().vertices)
    assert np.array_equal(arm.lower, lower)
    assert np.array_equal(tooth[0].depth_mm, depth)


# --- what a second survey finds ------------------------------------------------------------------
def modelled(found: Survey, bulks: list[LedgeBulk]) -> Mesh:
    """Cast, parallel blockout less the windows, and ledges, joined."""
    space = free_space(found.cast, found.path)
    parallel = pulled_down(space.upright, found.ceilings, floor_mm=0.0)
    ledges = Solid.union(bulk.solid.turned(space.to_upright) for bulk in bulks)
    windows = Solid.union(bulk.window.turned(space.to_upright) for bulk in bulks)
    ledge, left = space.take(ledges)
    assert_solid(ledge)
    _, left = left.take(parallel - windows)
    model = left.mould_filled()
    assert_solid(model)
    return model


@pytest.mark.parametrize(
    ("settings", "undercut_mm"),
    [(LedgeSettings(), 0.25), (LedgeSettings(fall_deg=8.0, shelf_mm=1.1), 0.4)],
)
def test_the_terminal_stays_open_to_just_the_asked_depth(
    tooth: tuple[Survey, Any], settings: LedgeSettings, undercut_mm: float
) -> None:
    found, teeth = tooth
    arm = lay_arm(found, teeth, prescribed(undercut_mm=undercut_mm))
    bulk = ledge_bulk(found, arm, settings)
    model = modelled(found, [bulk])
    again = surveyed(
        cast_of(model, scanned=scanned_again(model, found.cast), floor_mm=found.cast.floor_mm)
    )
    at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
    assert np.linalg.norm(model.vertices[at] - arm.terminal_mm) < 1e-5
    # 3 um: a way out askew to the wall by a facet, and two steps of depth
    assert again.depth_mm[at] == pytest.approx(undercut_mm, abs=0.003)
    assert again.max_depth_mm == pytest.approx(undercut_mm, abs=0.003)
    # nothing is left but in the window, its rim within 0.01 mm, and the film under it
    deep = np.flatnonzero(again.depth_mm > 0.003)
    raised = model.vertices[deep] + 0.012 * found.path.direction
    wide = np.concatenate([raised + step for step in _STEPS])
    held = inside(bulk.window, wide).reshape(len(_STEPS), -1).any(axis=0)
    assert held.all()


@pytest.mark.parametrize("aside_mm", [-1.5, 1.5])
def test_the_terminal_stays_as_deep_where_the_crowns_middle_lies_aside(aside_mm: float) -> None:
    """A window that ended along the way from there would be askew, and the ledge beside the
    terminal would lie over it.
    """
    found, teeth = ball_tooth(around=96)
    arm = lay_arm(found, teeth, prescribed(undercut_mm=0.4))
    arm = replace(arm, about_mm=arm.about_mm + np.array([aside_mm, 0.0, 0.0]))
    model = modelled(found, [ledge_bulk(found, arm)])
    again = surveyed(
        cast_of(model, scanned=scanned_again(model, found.cast), floor_mm=found.cast.floor_mm)
    )
    at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
    assert again.depth_mm[at] == pytest.approx(0.4, abs=0.003)


def test_a_window_holds_the_whole_tip_of_an_arm_that_runs_steeply_down(
    tooth: tuple[Survey, Any],
) -> None:
    """There the upper border reaches further about the tooth than the lower one ends."""
    found = tooth[0]
    share = np.linspace(0.0, 1.0, 60)
    turn, below_mm = np.radians(40.0) * share, 1.3 * share**4
    along, down = np.gradient(turn) * RADIUS_MM, np.gradient(below_mm)
    across = 0.7 / np.hypot(along, down)
    upper = _on_ball(turn + across * down / RADIUS_MM, below_mm - across * along)
    lower = _on_ball(turn, below_mm)
    depth_mm = RADIUS_MM - float(np.hypot(*lower[-1, :2]))
    arm = arm_of(lower, depth_mm=depth_mm, upper=upper, centre=0.5 * (lower + upper))
    bulk = ledge_bulk(found, arm)
    for part in (0.05, 0.5, 0.95):
        band = lower + part * (upper - lower)
        out = band - [0.0, 0.0, EQUATOR_MM]
        over = band + (RADIUS_MM + 0.03 - np.linalg.norm(out, axis=1))[:, None] * (
            out / np.linalg.norm(out, axis=1)[:, None]
        )
        assert inside(bulk.window, over[1:-1]).all()
    # and it ends with the tip: past it wax may lie
    past = turn[-1] + (across[-1] * down[-1] + 0.3) / RADIUS_MM
    beside = _on_ball(np.full(5, past), np.linspace(0.0, 1.2, 5))
    assert not inside(bulk.window, beside * [1.01, 1.01, 1.0]).any()
    model = modelled(found, [bulk])
    again = surveyed(
        cast_of(model, scanned=scanned_again(model, found.cast), floor_mm=found.cast.floor_mm)
    )
    at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
    assert again.depth_mm[at] == pytest.approx(depth_mm, abs=0.01)
    assert again.max_depth_mm == pytest.approx(depth_mm, abs=0.02)


def _on_ball(turn: Floats, below_mm: Floats) -> Floats:
    radius = np.sqrt(RADIUS_MM**2 - below_mm**2)
    return np.column_stack([radius * np.sin(turn), radius * np.cos(turn), EQUATOR_MM - below_mm])


_STEPS = 0.01 * np.array([[x, y, 0.0] for x in (-1.0, 0.0, 1.0) for y in (-1.0, 0.0, 1.0)])


def test_under_a_reciprocal_arm_no_undercut_is_left(tooth: tuple[Survey, Any]) -> None:
    found, teeth = tooth
    arms = [lay_arm(found, teeth, prescribed(role="reciprocal", aspect=a)) for a in
            ("buccal", "lingual")]  # fmt: skip
    model = modelled(found, [ledge_bulk(found, arm) for arm in arms])
    again = surveyed(
        cast_of(model, scanned=scanned_again(model, found.cast), floor_mm=found.cast.floor_mm)
    )
    assert again.max_depth_mm <= 0.003


# --- bar clasps and refusals ---------------------------------------------------------------------
def test_a_bar_arm_has_a_window_and_no_ledge(tooth: tuple[Survey, Any]) -> None:
    def on_ball(below: float) -> tuple[float, float, float]:
        return (0.0, float(np.sqrt(RADIUS_MM**2 - below**2)), EQUATOR_MM - below)

    points = ((0.0, 6.5, 0.0), (0.0, 5.0, 0.0), on_ball(2.2), on_ball(1.2))
    arm = lay_arm(*tooth, prescribed(form="bar", points=points, width_mm=1.2))
    bulk = ledge_bulk(tooth[0], arm)
    assert bulk.solid.is_empty
    assert_solid(bulk.window.mesh())
    outward = np.array([0.0, 0.3, 0.0])
    last = arm.centre[-len(arm.centre) // 4 : -1]
    assert inside(bulk.window, last + outward).all()
    assert not inside(bulk.window, arm.centre[:5] + outward).any()
    assert "no ledge" in bulk.notes[0]


def test_an_arm_that_doubles_back_is_refused(tooth: tuple[Survey, Any]) -> None:
    there = arm_on_parallel(1.0).lower
    back = arm_on_parallel(1.8).lower[::-1]
    arm = arm_of(np.concatenate([there, back[:30]]), depth_mm=0.2)
    with pytest.raises(InputError, match="doubles back as seen along the path") as refused:
        ledge_bulk(tooth[0], arm)
    assert refused.value.places_mm
    assert refused.value.fix is not None


# --- a real arch ---------------------------------------------------------------------------------
@pytest.mark.long
@needs_casts
def test_arms_and_ledges_on_a_real_arch(real_arch: Any) -> None:
    cast = real_arch("lower").cast
    found = survey(cast)
    # a point on each crown, read off the scan
    seeds = {46: (21.29, -6.10, -2.20), 47: (24.51, -17.95, -0.98), 35: (-21.53, 1.65, -2.40)}
    teeth = find_crowns(cast, seeds)
    wanted = (
        (47, "buccal", "distal", "retentive"),
        (46, "buccal", "mesial", "retentive"),
        (46, "lingual", "mesial", "reciprocal"),
        (35, "lingual", "mesial", "retentive"),
    )
    arms = [
        lay_arm(found, teeth, ArmSettings(tooth=n, aspect=a, origin=o, role=r))
        for n, a, o, r in wanted
    ]  # fmt: skip
    for arm in arms:
        assert arm.margin_mm is not None
        assert arm.margin_mm >= 0.99
        if arm.role == "retentive":
            assert arm.terminal_depth_mm == pytest.approx(0.25, abs=0.002)
            assert arm.depth_mm.max() <= 0.26
            assert arm.crossing_share is not None
            assert 0.65 <= arm.crossing_share <= 0.76
        else:
            assert arm.depth_mm.max() <= found.noise_depth_mm
    # the lingual side of 47 leans over the tongue and shows 0.22 mm at most
    with pytest.raises(InputError, match="tooth 47 does not offer"):
        lay_arm(
            found, teeth, ArmSettings(tooth=47, aspect="lingual", origin="mesial", role="retentive")
        )
    bulks = [ledge_bulk(found, arm) for arm in arms]
    model = modelled(found, bulks)
    again = survey(
        cast_of(
            model,
            scanned=scanned_again(model, cast),
            floor_mm=cast.floor_mm,
            matrix=np.array(cast.frame.matrix),
            noise_mm=cast.noise_mm,
        )
    )
    for arm, bulk in zip(arms, bulks, strict=True):
        low, high = bulk.window.mesh().bounds_mm
        near = np.flatnonzero(((model.vertices > low) & (model.vertices < high)).all(axis=1))
        held = near[inside(bulk.window, model.vertices[near] + 0.003 * found.path.direction)]
        deepest_mm = float(again.depth_mm[held].max())
        if arm.role == "retentive":
            at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
            assert np.linalg.norm(model.vertices[at] - arm.terminal_mm) < 1e-4
            assert again.depth_mm[at] == pytest.approx(0.25, abs=0.02)
            assert deepest_mm <= 0.27
        else:
            assert deepest_mm <= found.noise_depth_mm
