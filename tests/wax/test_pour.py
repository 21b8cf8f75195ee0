"""A prescription on one tooth: what is poured, what stays free, what a second survey finds."""

from __future__ import annotations

import itertools
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "arms"))

from ball_tooth import EQUATOR_MM, RADIUS_MM, ball_tooth
from bodies import cast_of, surveyed
from invariants import assert_apart, assert_solid, scanned_again

from blockout.case.prescription import Prescription
from blockout.kernel.solids import Solid
from blockout.model.build import build_model
from blockout.surveying.survey import Survey
from blockout.wax.pour import Poured, pour

ARM = {"tooth": 46, "aspect": "buccal", "origin": "mesial", "role": "retentive"}
FILM_MM3 = 0.03
"""A ledge and its window meet in a film of 2 um, over no more than 15 mm2 here."""


@pytest.fixture(scope="module")
def tooth() -> tuple[Survey, Any]:
    return ball_tooth(around=96)


def on_ball(turn_deg: float, over_mm: float) -> list[float]:
    radius, turn = np.sqrt(RADIUS_MM**2 - over_mm**2), np.radians(turn_deg)
    place = [radius * np.sin(turn), radius * np.cos(turn), EQUATOR_MM + over_mm]
    return [float(value) for value in place]


def lingual_relief() -> dict[str, Any]:
    """A sheet over the ball, all of it above the equator, whose lower edge overhangs."""
    turns = np.linspace(150.0, 210.0, 7)
    ring = [on_ball(t, 1.0) for t in turns] + [on_ball(t, 3.0) for t in turns[::-1]]
    return {"outline": ring, "thickness_mm": 0.4}


def depths_again(found: Survey, poured: Poured) -> tuple[Any, Any]:
    """The model, and the undercut depth at its vertices."""
    model = build_model(poured.left, poured.waxes, grooves=poured.grooves).mesh
    assert_solid(model)
    cast = cast_of(model, scanned=scanned_again(model, found.cast), floor_mm=found.cast.floor_mm)
    return model, surveyed(cast).depth_mm


def test_under_a_relief_that_overhangs_no_undercut_is_left(tooth: tuple[Survey, Any]) -> None:
    found, teeth = tooth
    poured = pour(found, Prescription(relief=[lingual_relief()]), teeth)
    assert [wax.name for wax in poured.waxes] == [
        "parallel",
        "relief-over-outline",
        "under-relief-over-outline",
    ]
    assert all(wax.volume_mm3 > 0.1 for wax in poured.waxes)
    for one, other in itertools.combinations(poured.waxes, 2):
        assert_apart(one.mesh, other.mesh, slack_mm3=1e-6)
    assert depths_again(found, poured)[1].max() <= 0.003


def test_what_is_under_a_relief_ends_at_the_floor_asked_for(tooth: tuple[Survey, Any]) -> None:
    found, teeth = tooth
    floor_mm = 2.0
    asked = Prescription(parallel={"floor_mm": floor_mm}, relief=[lingual_relief()])
    parallel, _, under = pour(found, asked, teeth).waxes
    for wax in (parallel, under):
        assert wax.mesh.bounds_mm[0, 2] == pytest.approx(floor_mm, abs=1e-6)


def test_a_terminal_reads_as_asked_beside_wax_that_leans(tooth: tuple[Survey, Any]) -> None:
    found, teeth = tooth
    asked = Prescription(
        parallel={"taper_deg": 6.0}, arm=[ARM | {"undercut_mm": 0.25}], relief=[lingual_relief()]
    )
    poured = pour(found, asked, teeth)
    (arm,), (ledge,) = poured.arms, poured.ledges
    for wax in poured.waxes:
        shared_mm3 = (Solid.from_mesh(wax.mesh) ^ ledge.window).volume_mm3
        assert shared_mm3 <= (FILM_MM3 if wax.kind == "ledge" else 1e-6), wax.name
    model, depth_mm = depths_again(found, poured)
    at = int(np.linalg.norm(model.vertices - arm.terminal_mm, axis=1).argmin())
    assert depth_mm[at] == pytest.approx(0.25, abs=0.003)
