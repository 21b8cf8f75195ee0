"""What holds a framework: terminals in their undercuts; gaps at rests and guiding planes."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from bodies import ball_on_plate, box, cast_of, surveyed, united
from frameworks import EQUATOR_MM, RADIUS_MM, arm_on_ball, metal_of
from invariants import assert_within

from blockout.case.settings import PathSettings
from blockout.case.trying_settings import RestSettings, TryInSettings
from blockout.cast.cast import Cast
from blockout.errors import InputError
from blockout.mesh import Floats, Mesh
from blockout.surveying.path import insertion_path
from blockout.surveying.survey import Survey
from blockout.trying.framework import framework_of
from blockout.trying.gaps import gaps_of, sides_beside_gaps
from blockout.trying.try_in import TryIn, try_in

ASKED_MM = 0.25
COUNT = 40


# --- terminals -----------------------------------------------------------------------------------
@functools.cache
def ball_survey() -> Survey:
    body, scanned = ball_on_plate(equator_mm=EQUATOR_MM, around=160)
    return surveyed(cast_of(body, scanned=scanned))


def heights(tip_mm: float, *, from_share: float = 0.7) -> Floats:
    """Level 0.6 mm above the equator, then down to ``tip_mm`` from that share on."""
    share = np.linspace(0.0, 1.0, COUNT)
    falls = np.clip((share - from_share) / (1.0 - from_share), 0.0, 1.0)
    return np.asarray(0.6 + (tip_mm - 0.6) * falls)


def height_of(depth_mm: float) -> float:
    """Closed form, circle: how far under its equator the ball is so deep."""
    return -math.sqrt(RADIUS_MM**2 - (RADIUS_MM - depth_mm) ** 2)


def tried(arm_heights: Floats, metal_heights: Floats | None = None, **settings: Any) -> TryIn:
    """The arm as laid, and the metal as made."""
    survey = ball_survey()
    arm = arm_on_ball(arm_heights, asked_mm=ASKED_MM)
    made = arm if metal_heights is None else arm_on_ball(metal_heights, asked_mm=ASKED_MM)
    return try_in(
        survey.cast,
        survey.path,
        framework_of(metal_of(made), survey.cast),
        settings=TryInSettings(tilt_within_deg=2.0, **settings),
        survey=survey,
        arms=[arm],
    )


def test_a_terminal_engages_the_undercut_asked_for_and_may():
    """Closed form: metal 10 um off the ball, h under its equator, lies R - sqrt((R + 0.01)^2 - h^2)
    deep.
    """
    tip = height_of(ASKED_MM)
    done = tried(heights(tip))
    (held,) = done.terminals
    expected = RADIUS_MM - math.sqrt((RADIUS_MM + 0.01) ** 2 - tip**2)
    assert held.engages
    assert_within(held.depth_mm, expected, 0.010)
    assert held.asked_mm == ASKED_MM
    assert held.volume_mm3 > 0.0
    assert held.at_mm[2] == pytest.approx(EQUATOR_MM + tip, abs=0.02)
    assert done.goes_to_place
    assert done.paths.narrowest.angle_deg > 0.0


def test_without_an_arm_in_the_case_the_same_metal_is_in_the_way():
    survey = ball_survey()
    metal = metal_of(arm_on_ball(heights(height_of(ASKED_MM)), asked_mm=ASKED_MM))
    done = try_in(survey.cast, survey.path, framework_of(metal, survey.cast))
    assert not done.goes_to_place
    assert done.terminals == ()
    assert_within(max(one.depth_mm for one in done.interferences), 0.24, 0.012)


def test_an_arm_above_the_survey_line_does_not_engage():
    done = tried(heights(height_of(ASKED_MM)), heights(0.2))
    (held,) = done.terminals
    assert not held.engages
    assert held.depth_mm < 0.01
    assert held.at_mm is None
    assert done.goes_to_place


def test_rigid_arm_below_the_survey_line_is_in_the_way():
    """An arm that dips under the survey line in its first third as deep as its terminal does."""
    tip = height_of(ASKED_MM)
    share = np.linspace(0.0, 1.0, COUNT)
    dips = heights(tip) + (tip - 0.6) * np.exp(-(((share - 0.25) / 0.08) ** 2))
    done = tried(dips, dips)
    (held,) = done.terminals
    assert held.engages
    (one,) = done.interferences
    turn = math.degrees(math.atan2(one.at_mm[0], one.at_mm[1]))
    assert turn == pytest.approx(-50.0 + 25.0, abs=4.0)
    expected = RADIUS_MM - math.sqrt((RADIUS_MM + 0.01) ** 2 - tip**2)
    assert_within(one.depth_mm, expected, 0.010)


def test_metal_under_the_ledge_is_in_the_way():
    """A terminal that reaches half as deep again as the arm was laid."""
    done = tried(heights(height_of(ASKED_MM)), heights(height_of(0.375)))
    assert not done.goes_to_place
    deepest = max(done.interferences, key=lambda one: one.into_mm)
    assert deepest.at_mm[0] > 2.0  # at the tip
    assert done.terminals[0].engages


# --- gaps ----------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class BoxCrown:
    """A tooth 8 x 8 mm wide and 6 high: mesial to +y on the patient's right."""

    number: int
    face: Any
    sides: dict[str, Any]

    def faces_of(self, aspect: str) -> Any:
        return self.sides[aspect]


def box_row(gap_mm: float = 10.0) -> tuple[Cast, Any]:
    """Teeth 44 and 46 beside a gap, on a plate whose top is z = 0, finely faceted."""
    half = gap_mm / 2.0
    body = united(
        [box((-9, -20, -6), (9, 20, 0)), box((-4, half, -1), (4, half + 8, 6)),
         box((-4, -half - 8, -1), (4, -half, 6))]
    )  # fmt: skip
    mesh = finer(body, 0.7)
    cast = cast_of(mesh)
    middle, normal = mesh.face_centres, mesh.face_normals
    on = middle[:, 2] > 0.0
    crowns = []
    for number, front in ((44, True), (46, False)):
        mine = on & ((middle[:, 1] > 0.0) == front)
        sides = {
            "mesial": np.flatnonzero(mine & (normal[:, 1] > 0.9)),
            "distal": np.flatnonzero(mine & (normal[:, 1] < -0.9)),
            "occlusal": np.flatnonzero(mine & (normal[:, 2] > 0.9)),
        }
        crowns.append(BoxCrown(number, np.flatnonzero(mine), sides))
    teeth = SimpleNamespace(
        cast=cast,
        crowns=tuple(crowns),
        numbers=(46, 44),
        crown=lambda n: next(one for one in crowns if one.number == n),
    )
    return cast, teeth


def finer(mesh: Mesh, edge_mm: float) -> Mesh:
    """Every edge halved until none is longer."""
    import trimesh

    vertices, faces = trimesh.remesh.subdivide_to_size(
        np.array(mesh.vertices), np.array(mesh.faces), edge_mm
    )
    merged = trimesh.Trimesh(vertices, faces, process=True)
    return Mesh(merged.vertices, merged.faces)


@functools.cache
def row() -> tuple[Cast, Any]:
    return box_row()


def saddle(rest_gap_mm: float, plate_gap_mm: float) -> Mesh:
    """Rests on both teeth, joined by a bar, with plates against both guiding planes."""
    half = 5.0 - plate_gap_mm
    low = 6.0 + rest_gap_mm
    return united(
        [
            box((-1, -8, low), (1, 8, low + 1)),
            box((-2, half - 1, 1), (2, half, low + 1)),
            box((-2, -half, 1), (2, -half + 1, low + 1)),
        ]
    )


def read(rest_gap_mm: float, plate_gap_mm: float, **settings: Any):
    cast, teeth = row()
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    made = saddle(rest_gap_mm, plate_gap_mm)
    found = gaps_of(
        cast, path, made, settings=TryInSettings(**settings), teeth=teeth, missing=(45,)
    )
    return {one.name: one for one in found}


@pytest.mark.parametrize(("rest_mm", "plate_mm"), [(0.12, 0.05), (0.8, 0.3), (-0.1, -0.04)])
def test_gaps_at_rests_and_guiding_planes_are_the_gaps_made(rest_mm, plate_mm):
    found = read(rest_mm, plate_mm)
    assert set(found) == {"44 occlusal", "46 occlusal", "44 distal", "46 mesial"}
    for name, one in found.items():
        made = rest_mm if name.endswith("occlusal") else plate_mm
        assert one.kind == ("rest" if name.endswith("occlusal") else "guiding plane")
        assert_within([one.least_mm, one.median_mm], made, 1e-5)
    # closed form: the rests cover 2 x 3 mm, the plates 4 mm of a wall from 1 mm up to the top
    for name in ("44 distal", "46 mesial"):
        assert_within(found[name].area_mm2, 4.0 * 5.0, 4.0)


def test_rests_by_their_points():
    rests = (RestSettings(name="46 rest", point_mm=(0, -6.5, 6)), RestSettings(point_mm=(3, 11, 6)))
    found = read(0.2, 0.1, rest=rests)
    assert_within(found["46 rest"].least_mm, 0.2, 1e-5)
    assert_within(found["46 rest"].median_mm, 0.2, 1e-5)
    assert found["rest 2"].least_mm is None  # no metal over it
    assert "44 occlusal" not in found
    assert "44 distal" in found


def test_a_rest_off_the_cast_is_refused():
    with pytest.raises(InputError, match=r"a rest's point lies off the cast; 24\.00 mm off"):
        read(0.2, 0.1, rest=(RestSettings(point_mm=(0, -6.5, 30)),))


def test_gaps_wider_than_is_asked_for_are_not_read():
    assert set(read(1.5, 0.2)) == {"44 distal", "46 mesial"}
    assert_within(read(1.5, 0.2, gap_within_mm=2.0)["46 occlusal"].least_mm, 1.5, 1e-5)


def test_sides_that_face_a_gap():
    assert sides_beside_gaps("upper", (13, 12, 11, 21, 22, 23, 26)) == (
        (13, "distal"), (23, "distal"), (26, "mesial"), (26, "distal"),
    )  # fmt: skip
