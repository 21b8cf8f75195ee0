"""Sample casts: solid, with the teeth, undercuts and drifts that were asked for."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import lru_cache

import numpy as np
import pytest
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation

from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Floats, Mesh, solidity
from blockout.samples.arch import CastField, SampleCast, closed_cast
from blockout.samples.curve import ArchCurve
from blockout.samples.plan import CastPlan, Drift
from blockout.samples.scan_like import scan_like
from blockout.samples.scenario import LOWER, UPPER, demo_scan
from blockout.samples.teeth import side_of, teeth_of

COARSE_MM = 0.9
LOWER_GAPS = CastPlan(missing=(36, 37, 45, 46), spacing_mm=COARSE_MM)

made = lru_cache(maxsize=None)(closed_cast)
scanned = lru_cache(maxsize=None)(scan_like)


def in_cast_frame(cast: SampleCast) -> Mesh:
    return Mesh(cast.frame.points_to_cast(cast.mesh.vertices), cast.mesh.faces)


# --- solid ---------------------------------------------------------------------------------------
PLANS = {
    "whole lower": CastPlan(spacing_mm=COARSE_MM),
    "whole upper": CastPlan(arch="upper", spacing_mm=COARSE_MM),
    "demo lower": replace(LOWER.plan, spacing_mm=COARSE_MM),
    "demo upper": replace(UPPER.plan, spacing_mm=COARSE_MM),
    "crowded": CastPlan(
        missing=(31, 46),
        drifts=(
            Drift(47, mesial_mm=2.0, mesial_tip_deg=20.0, lingual_tip_deg=10.0),
            Drift(33, turn_deg=25.0, buccal_mm=1.5),
            Drift(45, lingual_tip_deg=15.0, occlusal_mm=1.0),
        ),
        spacing_mm=0.6,
    ),
    "toothless": CastPlan(missing=tuple(teeth_of("upper")), arch="upper", spacing_mm=COARSE_MM),
}


@pytest.mark.parametrize("name", PLANS)
def test_closed_cast_is_one_solid_ball_that_nowhere_cuts_itself(name: str) -> None:
    mesh = made(PLANS[name]).mesh
    assert solidity(mesh).reasons() == ()
    assert len(self_intersections(mesh)) == 0
    assert mesh.face_components().max() == 0
    # closed form (Euler): vertices - edges + faces = 2 for a ball without tunnels
    assert len(mesh.vertices) - mesh.triangle_count * 3 // 2 + mesh.triangle_count == 2


@pytest.mark.parametrize("name", ["whole lower", "demo upper"])
def test_facets_are_well_shaped_and_on_the_surface(name: str) -> None:
    cast = made(PLANS[name])
    sides = np.linalg.norm(cast.mesh.corners - np.roll(cast.mesh.corners, 1, axis=1), axis=2)
    # law of sines: the least height over the longest side is at most the sine of the least angle
    slim = 2.0 * cast.mesh.face_areas_mm2 / sides.max(axis=1) ** 2
    assert np.quantile(slim, 0.001) > 0.15
    assert slim.min() > 0.05
    # base coarser than skin
    assert np.median(sides[~cast.skin]) > 1.8 * np.median(sides[cast.skin])
    skin_vertices = np.unique(cast.mesh.faces[cast.skin])
    points = cast.frame.points_to_cast(cast.mesh.vertices[skin_vertices])
    off_mm = np.abs(CastField(cast.plan)(points))
    assert np.quantile(off_mm, 0.999) < 0.001


def test_finer_spacing_gives_the_same_cast_with_more_triangles() -> None:
    coarse, fine = made(LOWER_GAPS), made(replace(LOWER_GAPS, spacing_mm=0.6))
    # a surface mesh's triangle count goes with the inverse square of its edge
    ratio = np.sum(fine.skin) / np.sum(coarse.skin)
    assert ratio == pytest.approx((COARSE_MM / 0.6) ** 2, rel=0.1)
    assert fine.mesh.volume_mm3 == pytest.approx(coarse.mesh.volume_mm3, rel=0.003)


# --- teeth ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("name", ["demo lower", "demo upper"])
def test_teeth_stand_where_they_should_and_are_missing_where_asked(name: str) -> None:
    cast = made(PLANS[name])
    points = in_cast_frame(cast).vertices
    for place in cast.standings:
        top = place.neck_mm + place.axis * place.crown.form.height_mm
        # over the cusps; in a gap over the crest, clear of the neighbours' gums
        at, reach = (top, 2.5) if place.present else (place.neck_mm, 1.2)
        near = np.linalg.norm(points[:, :2] - at[:2], axis=1) < reach
        above_neck = points[near, 2].max() - place.neck_mm[2]
        if place.number in cast.plan.missing:
            assert above_neck < -1.0, place.number
        else:
            assert above_neck > 0.8 * place.crown.form.height_mm, place.number
        assert np.sign(place.along_mm) == side_of(place.number)
    # ISO 3950 and the frame: the patient's right on +x of a lower cast, on -x of an upper one
    right = 47 if cast.plan.arch == "lower" else 17
    assert np.sign(cast.tooth(right).neck_mm[0]) == (1 if cast.plan.arch == "lower" else -1)


@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_arch_has_the_size_of_an_arch(arch: str) -> None:
    # from memory: 55 to 65 mm over the second molars, 42 to 50 mm from incisors to their backs
    cast = made(PLANS[f"whole {arch}"])
    points = in_cast_frame(cast).vertices
    teeth = np.concatenate([points[_on_crown(place, points)] for place in cast.standings])
    wide, long, _ = np.ptp(teeth, axis=0)
    assert 55.0 < wide < 66.0
    assert 42.0 < long < 50.0
    # symmetric but for the tissue's own irregularities
    assert teeth[:, 0].max() == pytest.approx(-teeth[:, 0].min(), abs=0.05)


@pytest.mark.parametrize("number", [44, 47, 31, 33])
def test_a_lone_crown_is_as_wide_and_as_tall_as_its_form(number: int) -> None:
    # the four stand alone in this cast
    cast = made(CastPlan(missing=(32, 34, 36, 41, 43, 45, 46), spacing_mm=0.6))
    place = cast.tooth(number)
    own = (in_cast_frame(cast).vertices - place.neck_mm) @ place.axes
    near = (np.abs(own[:, :2]) < 6.5).all(axis=1) & (own[:, 2] > 1.5)
    width = np.ptp(own[near, 0])
    assert width == pytest.approx(place.crown.form.mesiodistal_mm, abs=0.15)
    assert own[near, 2].max() == pytest.approx(place.crown.form.height_mm, abs=0.25)


def _on_crown(place: object, points: Floats) -> np.ndarray:
    own = (points - place.neck_mm) @ place.axes  # type: ignore[attr-defined]
    form = place.crown.form  # type: ignore[attr-defined]
    half = np.array([form.mesiodistal_mm, form.buccolingual_mm]) / 2.0 + 0.3
    return (np.abs(own[:, :2]) < half).all(axis=1) & (own[:, 2] > 2.2)


@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_arch_length_and_offset_are_found_again(arch: str) -> None:
    curve = ArchCurve(arch)  # type: ignore[arg-type]
    random = np.random.default_rng(3)
    along, offset = random.uniform(-58.0, 58.0, 20_000), random.uniform(-8.5, 12.0, 20_000)
    points = curve.point(along) + curve.outward(along) * offset[:, None]
    found_along, found_offset = curve.locate(points)
    assert np.abs(found_along - along).max() < 1e-4
    assert np.abs(found_offset - offset).max() < 1e-4
    # and their slopes, by differences
    for axis, step in enumerate(np.eye(2) * 1e-3):
        moved_along, moved_offset = curve.locate(points + step)
        slope_along, slope_offset = (s[:, axis] for s in curve.shares(found_along, found_offset))
        assert np.quantile(np.abs((moved_along - found_along) / 1e-3 - slope_along), 0.99) < 0.02
        assert np.quantile(np.abs((moved_offset - found_offset) / 1e-3 - slope_offset), 0.99) < 0.01


# --- undercuts -----------------------------------------------------------------------------------
def _profile(cast: SampleCast, along_mm: float, heights_mm: Floats, side: int) -> Floats:
    """How far out (buccal +1, lingual -1) the cast reaches at heights over a place of the arch."""
    curve = CastField(cast.plan).curve
    out = np.append(curve.outward(along_mm) * side, 0.0)
    start = np.append(curve.point(along_mm), 0.0) + 12.0 * out
    origins = start + heights_mm[:, None] * [0.0, 0.0, 1.0]
    return 12.0 - RayScene(in_cast_frame(cast)).first_hit(origins, -out).distance_mm


@pytest.mark.parametrize("side", [1, -1], ids=["buccal", "lingual"])
@pytest.mark.parametrize("number", [44, 47])
def test_crowns_are_undercut_below_their_height_of_contour(number: int, side: int) -> None:
    place = made(LOWER_GAPS).tooth(number)
    # upright, so that the bell shape alone makes the undercut
    lean = Drift(number, lingual_tip_deg=-place.crown.form.lingual_lean_deg)
    cast = made(replace(LOWER_GAPS, drifts=(lean,), spacing_mm=0.6))
    place = cast.tooth(number)
    assert place.axis == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    height = place.crown.form.height_mm
    heights = place.neck_mm[2] + np.linspace(1.0, height - 2.0, 40)
    reach = _profile(cast, place.along_mm, heights, side)
    contour = int(reach.argmax())
    # from memory: 0.2 to 1 mm is what clasps use; the contour in the lower two thirds
    assert 0.2 < reach[contour] - reach[0] < 1.0
    assert heights[contour] - place.neck_mm[2] < 0.67 * height
    # one bulge: out to the contour, in after it
    assert (np.diff(reach[: contour + 1]) > -0.002).all()
    assert (np.diff(reach[contour:]) < 0.002).all()


@pytest.mark.parametrize("side", [1, -1], ids=["buccal", "lingual"])
def test_flanges_fall_back_as_far_as_asked(side: int) -> None:
    depths = []
    for asked_mm in (0.0, 0.8, 1.6):
        cast = made(replace(LOWER_GAPS, tissue_undercut_mm=asked_mm))
        reach = _profile(cast, -42.0, np.linspace(-10.8, -16.0, 30), side)
        depths.append(float((np.maximum.accumulate(reach) - reach).max()))
    assert depths[0] < 0.05
    assert depths[1] == pytest.approx(0.8, rel=0.15)
    assert depths[2] == pytest.approx(1.6, rel=0.15)


def test_recession_lowers_the_margin_as_far_as_asked() -> None:
    # straight down on the tissue just outside a molar's neck
    levels = []
    for asked_mm in (0.0, 1.0):
        cast = made(replace(LOWER_GAPS, recession_mm=asked_mm))
        place = cast.tooth(47)
        at = place.neck_mm + place.axes[:, 1] * 5.7
        ray = np.array([[at[0], at[1], 10.0]])
        hit = RayScene(in_cast_frame(cast)).first_hit(ray, np.array([0.0, 0.0, -1.0]))
        levels.append(10.0 - float(hit.distance_mm[0]))
    assert levels[0] - levels[1] == pytest.approx(1.0, abs=0.15)


# --- drift ---------------------------------------------------------------------------------------
def _measured_move(still: SampleCast, moved: SampleCast, number: int) -> tuple[Floats, Floats]:
    """Rigid move (rotation, and shift of the neck) that lays a crown of one cast onto the other, by
    iterated point-to-plane fitting of the meshes alone; columns in the tooth's own still axes.
    """
    place = still.tooth(number)
    own = (in_cast_frame(still).vertices - place.neck_mm) @ place.axes
    target = in_cast_frame(moved)
    there = (target.vertices - place.neck_mm) @ place.axes
    normals = target.vertex_normals @ place.axes
    half = np.array([place.crown.form.mesiodistal_mm, place.crown.form.buccolingual_mm]) / 2 + 0.5
    source = own[(np.abs(own[:, :2]) < half).all(axis=1) & (own[:, 2] > 2.6)]
    tree = cKDTree(there)
    turn, shift = np.eye(3), np.zeros(3)
    for _ in range(20):
        placed = source @ turn.T + shift
        at = tree.query(placed)[1]
        normal = normals[at]
        gap = np.einsum("ij,ij->i", there[at] - placed, normal)
        rows = np.c_[np.cross(placed, normal), normal]
        keep = np.abs(gap) < max(np.quantile(np.abs(gap), 0.9), 1e-3)
        step = np.linalg.lstsq(rows[keep], gap[keep], rcond=None)[0]
        rotation = Rotation.from_rotvec(step[:3]).as_matrix()
        turn, shift = rotation @ turn, rotation @ shift + step[3:]
    return turn, shift


S, C = np.sin(np.radians(9.0)), np.cos(np.radians(9.0))


@pytest.mark.parametrize(
    ("drift", "axis", "mesial_side"),
    [
        # own axes: distal, buccal, out of the gum; closed form: a turn by 9 degrees
        (Drift(47, mesial_tip_deg=9.0), (-S, 0.0, C), (-C, 0.0, -S)),
        (Drift(47, lingual_tip_deg=9.0), (0.0, -S, C), (-1.0, 0.0, 0.0)),
        (Drift(47, turn_deg=9.0), (0.0, 0.0, 1.0), (-C, S, 0.0)),
        (Drift(37, mesial_tip_deg=9.0), (-S, 0.0, C), (-C, 0.0, -S)),
    ],
    ids=["mesial tip", "lingual tip", "turn", "mesial tip, other side"],
)
def test_drift_turns_the_tooth_by_the_degrees_asked(
    drift: Drift, axis: tuple[float, ...], mesial_side: tuple[float, ...]
) -> None:
    plan = CastPlan(missing=(36, 46), spacing_mm=0.7)
    turn, shift = _measured_move(made(plan), made(replace(plan, drifts=(drift,))), drift.tooth)
    # the fit reads the facets: 0.7 mm edges on a 5 mm body, some 0.05 degrees
    assert np.degrees(np.arccos(np.clip(turn[:, 2] @ axis, -1, 1))) < 0.1
    assert np.degrees(np.arccos(np.clip(-turn[:, 0] @ np.array(mesial_side), -1, 1))) < 0.1
    assert shift == pytest.approx([0.0, 0.0, 0.0], abs=0.02)


def test_molar_tilt_leans_molars_to_the_tongue_and_leaves_premolars() -> None:
    plan = CastPlan(missing=(36, 46), spacing_mm=0.7)
    tilted = made(replace(plan, molar_lingual_tilt_deg=9.0))
    for number in (37, 47):
        turn, _ = _measured_move(made(plan), tilted, number)
        assert np.degrees(np.arccos(np.clip(turn[:, 2] @ (0.0, -S, C), -1, 1))) < 0.1
    assert (tilted.tooth(45).axes == made(plan).tooth(45).axes).all()


def test_drift_moves_the_tooth_by_the_millimetres_asked() -> None:
    plan = CastPlan(missing=(36, 46), spacing_mm=0.7)
    drift = Drift(47, mesial_mm=0.6, buccal_mm=0.4, occlusal_mm=0.5)
    still = made(plan)
    turn, shift = _measured_move(still, made(replace(plan, drifts=(drift,))), 47)
    # asked square to the arch, measured in the axes of a tooth that leans to the tongue
    lean = np.radians(still.tooth(47).crown.form.lingual_lean_deg)
    buccal = 0.4 * np.cos(lean) + 0.5 * np.sin(lean)
    out = 0.5 * np.cos(lean) - 0.4 * np.sin(lean)
    assert shift == pytest.approx([-0.6, buccal, out], abs=0.03)
    # along the arch the tooth turns with the curve, nearly straight there
    assert np.degrees(np.arccos((np.trace(turn) - 1.0) / 2.0)) < 1.5


# --- parameters ----------------------------------------------------------------------------------
CHANGES: dict[str, object] = {
    "arch": "upper",
    "missing": (36,),
    "drifts": (Drift(44, turn_deg=5.0),),
    "molar_lingual_tilt_deg": 4.0,
    "tissue_undercut_mm": 0.3,
    "recession_mm": 0.4,
    "spacing_mm": 1.1,
    "base_thickness_mm": 12.0,
    "noise_mm": 0.02,
    "ragged_mm": 0.2,
    "island": False,
    "hole": False,
    "up": "-x",
    "front": "-y",
    "off_level_deg": (2.0, 0.0),
    "shift_mm": (1.0, 0.0, 0.0),
    "seed": 2,
}
SCAN_ONLY = {"noise_mm", "ragged_mm", "island", "hole"}


@pytest.mark.long
@pytest.mark.parametrize("name", [field.name for field in fields(CastPlan)])
def test_every_parameter_has_an_effect(name: str) -> None:
    plan = CastPlan(spacing_mm=1.2)
    changed = replace(plan, **{name: CHANGES[name]})  # type: ignore[arg-type]
    make = scanned if name in SCAN_ONLY else made
    before, after = make(plan).mesh, make(changed).mesh
    same = before.vertices.shape == after.vertices.shape and np.allclose(
        before.vertices, after.vertices, atol=1e-4
    )
    assert not same
    if name in SCAN_ONLY:
        assert (made(plan).mesh.vertices == made(changed).mesh.vertices).all()


def test_base_is_as_thick_as_asked() -> None:
    thin, thick = (
        made(CastPlan(spacing_mm=1.2, base_thickness_mm=t)).mesh.bounds_mm[0, 2] for t in (10, 12.5)
    )
    assert thin - thick == pytest.approx(2.5, abs=1e-6)


def test_same_plan_same_cast() -> None:
    plan = CastPlan(spacing_mm=1.2)
    for known, make in ((made, closed_cast), (scanned, scan_like)):
        one, other = known(plan).mesh, make(replace(plan)).mesh
        assert one.vertices.tobytes() == other.vertices.tobytes()
        assert one.faces.tobytes() == other.faces.tobytes()


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        ({"missing": (48,)}, "tooth 48 does not belong to the lower sample cast"),
        ({"missing": (16,)}, "tooth 16 does not belong"),
        ({"drifts": (Drift(31), Drift(31))}, "two drifts"),
        ({"drifts": (Drift(31),), "missing": (31,)}, "although it is missing"),
        ({"up": "+z", "front": "-z"}, "not two different axes"),
        ({"up": "z"}, "not two different axes"),
        ({"spacing_mm": 0.0}, "spacing_mm of a sample cast is out of range; 0, allowed 0.1"),
        ({"spacing_mm": float("nan")}, "spacing_mm of a sample cast is out of range"),
        ({"noise_mm": 1.0}, "noise_mm"),
    ],
)
def test_bad_plans_are_refused_with_words(bad: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        CastPlan(**bad)  # type: ignore[arg-type]


# --- scan-like -----------------------------------------------------------------------------------
def _border_loops(mesh: Mesh) -> int:
    start, end = mesh.halfedges[mesh.twin_halfedges < 0].T
    follow = dict(zip(start.tolist(), end.tolist(), strict=True))
    assert len(follow) == len(start)
    loops = 0
    while follow:
        loops += 1
        at = next(iter(follow))
        while at in follow:
            at = follow.pop(at)
    return loops


@pytest.mark.parametrize("plan", [LOWER.plan, UPPER.plan], ids=["lower", "upper"])
def test_scan_is_open_with_an_island_and_a_hole_as_asked(plan: CastPlan) -> None:
    plan = replace(plan, spacing_mm=COARSE_MM)
    for island, hole in ((True, False), (False, True)):
        mesh = scanned(replace(plan, island=island, hole=hole)).mesh
        pieces = np.bincount(mesh.face_components())
        assert len(pieces) == 1 + island
        assert _border_loops(mesh) == 1 + island + hole
        assert pieces[0] > 0.98 * mesh.triangle_count
        assert solidity(mesh).opposed_edge_count == 0
        assert solidity(mesh).crowded_edge_count == 0
        assert solidity(mesh).pinched_vertex_count == 0


@pytest.mark.long
def test_noise_is_as_strong_as_asked() -> None:
    plan = replace(LOWER.plan, spacing_mm=COARSE_MM, island=False)
    for asked_mm in (0.0, 0.007):
        scan = scanned(replace(plan, noise_mm=asked_mm))
        # measured against the generating surface, in places without tight folds
        off = CastField(plan)(scan.frame.points_to_cast(scan.mesh.vertices))
        middle = 1.4826 * np.median(np.abs(off))  # of a normal distribution, closed form
        assert middle == pytest.approx(asked_mm, rel=0.06, abs=2e-6)


@pytest.mark.long
def test_border_wanders_more_when_asked_and_stays_on_the_cast() -> None:
    spreads = []
    for asked_mm in (0.0, 0.7):
        plan = CastPlan(spacing_mm=COARSE_MM, ragged_mm=asked_mm, island=False, hole=False)
        scan = scanned(plan)
        border = scan.mesh.halfedges[scan.mesh.twin_halfedges < 0, 0]
        points = scan.frame.points_to_cast(scan.mesh.vertices[border])
        outside = CastField(plan).ridge.section(points[:, :2]).outside_mm
        assert outside.max() < 0.0
        spreads.append(float(outside.std()))
    assert spreads[0] < 0.3
    assert spreads[1] > 2.0 * spreads[0]


@pytest.mark.parametrize("arch", ["lower", "upper"])
def test_orientation_is_a_rigid_turn_and_off_level_lowers_the_sides_named(arch: str) -> None:
    level = made(CastPlan(arch=arch, spacing_mm=1.2))  # type: ignore[arg-type]
    turned = made(
        replace(
            level.plan, up="-y", front="+z", off_level_deg=(6.0, 0.0), shift_mm=(12.5, -31.0, 47.0)
        )
    )
    assert np.abs(in_cast_frame(turned).vertices - level.mesh.vertices).max() < 3e-6
    assert turned.mesh.volume_mm3 == pytest.approx(level.mesh.volume_mm3, rel=1e-7)

    def height(cast: SampleCast, number: int, up: tuple[float, float, float]) -> float:
        return float(cast.frame.points_to_file(cast.tooth(number).neck_mm) @ up)

    front, back = (31, 37) if arch == "lower" else (21, 27)
    right, left = (47, 37) if arch == "lower" else (17, 27)
    fall = height(turned, front, (0, -1, 0)) - height(turned, back, (0, -1, 0))
    flat = height(level, front, (0, 0, 1)) - height(level, back, (0, 0, 1))
    length = level.tooth(front).neck_mm[1] - level.tooth(back).neck_mm[1]
    drop = -length * np.sin(np.radians(6.0)) + flat * np.cos(np.radians(6.0))  # closed form
    assert fall == pytest.approx(drop, abs=1e-6)
    rolled = made(replace(level.plan, off_level_deg=(0.0, 5.0)))
    sunk = height(rolled, right, (0, 0, 1)) - height(rolled, left, (0, 0, 1))
    width = abs(level.tooth(right).neck_mm[0] - level.tooth(left).neck_mm[0])
    assert sunk == pytest.approx(-width * np.sin(np.radians(5.0)), abs=1e-6)


# --- scenario ------------------------------------------------------------------------------------
def _kennedy(missing: tuple[int, ...], arch: str) -> str:
    """Kennedy's class with Applegate's rules (published), third molars disregarded."""
    order = sorted(teeth_of(arch), key=lambda t: side_of(t) * (t % 10))  # type: ignore[arg-type]
    spans: list[list[int]] = []
    for before, tooth in zip([0, *order[:-1]], order, strict=True):
        if tooth in missing:
            if before not in missing:
                spans.append([])
            spans[-1].append(tooth)
    free = [span for span in spans if span[0] == order[0] or span[-1] == order[-1]]
    if free:
        return f"class {'II' if len(free) == 1 else 'I'}, modification {len(spans) - len(free)}"
    if (
        len(spans) == 1
        and {t % 10 for t in spans[0]} >= {1}
        and len({t // 10 for t in spans[0]}) == 2
    ):
        return "class IV"
    return f"class III, modification {len(spans) - 1}"


@pytest.mark.parametrize("scenario", [LOWER, UPPER], ids=["lower", "upper"])
def test_scenario_states_its_class_rightly(scenario: object) -> None:
    assert scenario.kennedy == _kennedy(scenario.missing, scenario.plan.arch)  # type: ignore[attr-defined]


def test_the_chosen_path_does_what_its_reason_says() -> None:
    cast = made(replace(LOWER.plan, spacing_mm=0.6))
    mesh, molar = in_cast_frame(cast), cast.tooth(47)
    own = (mesh.face_centres - molar.neck_mm) @ molar.axes
    mesial = (own[:, 0] < -0.8 * np.abs(own[:, 1])) & (own[:, 0] > -7.0) & (own[:, 2] > 0.8)

    def facing_down_mm2(anterior_deg: float, lateral_deg: float) -> float:
        a, r = np.radians([anterior_deg, lateral_deg])
        path = np.array([-np.tan(r), -np.tan(a), 1.0])
        path /= np.linalg.norm(path)
        away = mesh.face_normals[mesial] @ path
        return float((mesh.face_areas_mm2[mesial] * np.maximum(-away, 0.0)).sum())

    chosen = facing_down_mm2(LOWER.anterior_tilt_deg, LOWER.lateral_tilt_deg)
    assert chosen < 0.9 * facing_down_mm2(0.0, 0.0)
    tilt = np.radians([LOWER.anterior_tilt_deg, LOWER.lateral_tilt_deg])
    path = np.array([-np.tan(tilt[1]), -np.tan(tilt[0]), 1.0])
    assert path @ molar.axis / np.linalg.norm(path) > molar.axis[2]


@pytest.mark.long
def test_lower_scan_is_the_demo_scan_at_full_fineness() -> None:
    mesh = demo_scan(LOWER)
    assert 80_000 < mesh.triangle_count < 160_000
    assert len(self_intersections(mesh)) == 0
    assert (mesh.twin_halfedges < 0).any()
    assert np.ptp(mesh.vertices, axis=0).max() < 100.0
