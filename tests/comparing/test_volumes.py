"""Known wax added and taken away: volumes, places and solids are known by construction.

The truth of each change is the volume of two meshes by the divergence theorem.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from bodies import ball, box, turn_about
from invariants import assert_solid
from uneven import changed, placed, with_extras, with_noise, without_base

from blockout.case.comparing_settings import CompareSettings
from blockout.comparing.align import refine
from blockout.comparing.deviations import deviation_of, probes_on
from blockout.comparing.laid import lay
from blockout.comparing.plan import Part, Plan, plan_from_model, plan_from_parts
from blockout.comparing.pose import Pose
from blockout.comparing.volumes import Volumes, volumes_of
from blockout.errors import InputError
from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh

SETTINGS = CompareSettings()
LUMP_AT = np.array([6.2, 6.9, 0.6])
"""On the wax of the ball at (6, 4)."""
BITE_AT = np.array([-7.0, -5.0, 0.5])
"""In the wax of the ball at (-7, -2)."""


@dataclass(frozen=True)
class Change:
    """A model changed by known amounts."""

    model: Mesh
    excess_mm3: float
    missing_mm3: float


@pytest.fixture(scope="module")
def change(plan: Plan) -> Change:
    lump, bite = (
        ball(1.1, subdivisions=3, centre=LUMP_AT),
        ball(1.8, subdivisions=3, centre=BITE_AT),
    )
    wax = Solid.from_mesh(plan.wax)
    gone = (wax ^ Solid.from_mesh(bite)).mesh()
    bitten = changed(plan.model, gone=gone)
    both = changed(bitten, lump=lump)
    found = Change(
        both,
        excess_mm3=both.volume_mm3 - bitten.volume_mm3,
        missing_mm3=plan.model.volume_mm3 - bitten.volume_mm3,
    )
    assert found.excess_mm3 > 1.0
    assert found.missing_mm3 > 1.0
    return found


def measured(plan: Plan, scan: Mesh, back: Floats | None = None) -> Volumes:
    """Laid on from a pose that is some tenths of a millimetre and degree off the true one."""
    off = Pose.of(turn_about((1.0, 2.0, 3.0), 0.4), np.array([0.1, -0.15, 0.1]))
    start = Pose(off.matrix @ (np.eye(4) if back is None else back))
    fit = refine(scan, plan.target.free, start)
    assert fit is not None
    assert fit.trouble(SETTINGS) == []
    laid = lay(scan, plan, fit, name="scan")
    return volumes_of(plan, laid, deviation_of(laid, probes_on(plan)), settings=SETTINGS)


def close(value: float, truth: float) -> bool:
    """The bound of the job: 1 % or half a cubic millimetre."""
    return abs(value - truth) <= max(0.01 * abs(truth), 0.5)


WAYS = {
    "moved": lambda mesh: mesh,
    "no base": without_base,
    "noisy, no base": lambda mesh: with_noise(without_base(mesh), 0.015, seed=2),
    "more than the cast": with_extras,
}


@pytest.mark.long
@pytest.mark.parametrize("way", WAYS)
def test_added_and_taken_wax_is_found_where_it_is(plan: Plan, change: Change, way: str) -> None:
    scan, back = placed(WAYS[way](change.model), seed=len(way))
    found = measured(plan, scan, back)
    net = change.excess_mm3 - change.missing_mm3
    assert close(found.whole.off_mm3, net)
    assert close(found.missing_mm3, change.missing_mm3)
    assert close(found.excess_mm3, change.excess_mm3)
    largest = {place.kind: place for place in reversed(found.places)}
    for kind, at, truth in (
        ("excess", LUMP_AT, change.excess_mm3),
        ("missing", BITE_AT, change.missing_mm3),
    ):
        place = largest[kind]
        assert close(place.volume_mm3, truth)
        # the middle of what shows of a ball is no further from its middle than its radius
        assert np.linalg.norm(np.array(place.at_mm) - at) < 1.8
    assert {place.kind for place in found.places if place.volume_mm3 > 0.3} == {
        "excess",
        "missing",
    }


def test_what_is_cut_out_is_the_wax_itself(plan: Plan, change: Change) -> None:
    scan, back = placed(change.model, seed=3)
    found = measured(plan, scan, back)
    solids = {place.kind: place for place in found.places if place.volume_mm3 > 0.3}
    for kind, truth in (("excess", change.excess_mm3), ("missing", change.missing_mm3)):
        mesh = solids[kind].mesh
        assert mesh is not None
        assert_solid(mesh)
        # exact to the facets; the pose leaves some nanometres on the surface of a few mm2
        assert mesh.volume_mm3 == pytest.approx(truth, abs=1e-3)
    assert found.checked is not None
    assert found.checked.by_cutting_mm3 == pytest.approx(
        change.excess_mm3 - change.missing_mm3, abs=1e-3
    )
    assert found.checked.by_lines_mm3 == pytest.approx(found.checked.by_cutting_mm3, abs=0.1)


def test_an_open_scan_is_cut_as_a_closed_one(plan: Plan, change: Change) -> None:
    scan, back = placed(without_base(change.model), seed=9)
    found = measured(plan, scan, back)
    assert found.unsolid == ""
    for kind, truth in (("excess", change.excess_mm3), ("missing", change.missing_mm3)):
        mesh = next(place.mesh for place in found.places if place.kind == kind)
        assert mesh is not None
        assert_solid(mesh)
        # what lies in columns of cells where the scan ends is not cut: 0.024 mm3 here
        assert mesh.volume_mm3 == pytest.approx(truth, abs=0.05)


def test_the_plan_itself_differs_by_nothing(plan: Plan) -> None:
    found = measured(plan, plan.model)
    assert abs(found.whole.off_mm3) < 0.01
    assert found.places == ()
    assert found.whole.planned_mm3 == pytest.approx(plan.volume_mm3)
    assert found.whole.shown_mm3 == pytest.approx(plan.volume_mm3)
    assert found.missing_mm3 + found.excess_mm3 < 0.01
    planned_g, actual_g = found.mass_g(0.9)
    assert planned_g == pytest.approx(plan.volume_mm3 * 0.9e-3)  # 1 cm3 is 1000 mm3
    assert actual_g == pytest.approx(found.whole.actual_mm3 * 0.9e-3)


def test_a_cast_without_wax_lacks_all_of_it(plan: Plan) -> None:
    found = measured(plan, plan.cast.mesh)
    assert close(found.whole.actual_mm3, 0.0)
    assert close(found.missing_mm3, plan.volume_mm3)
    assert found.excess_mm3 < 0.1


def test_parts_and_regions_add_up_and_name_the_right_one(plan: Plan, change: Change) -> None:
    found = measured(plan, change.model)
    assert sum(one.planned_mm3 for one in found.regions) == pytest.approx(plan.volume_mm3)
    assert sum(one.planned_mm3 for one in found.parts) == pytest.approx(plan.volume_mm3)
    assert sum(one.off_mm3 for one in found.regions) == pytest.approx(found.whole.off_mm3)
    assert sum(one.off_mm3 for one in found.parts) == pytest.approx(found.whole.off_mm3)
    off = {one.name: one.off_mm3 for one in found.regions}
    # the lower cast's right is +x: the lump lies at the front right of (0, 0), the bite at the left
    assert close(off["left"], -change.missing_mm3)
    assert close(off["right"] + off["front"], change.excess_mm3)
    for place in found.places:
        assert place.part == "parallel"


def test_what_the_scan_does_not_show_is_left_out_and_said(plan: Plan, change: Change) -> None:
    # cut at x = -1: the side of the bite is gone, that of the lump is there
    whole = without_base(change.model)
    found = measured(plan, whole.part(whole.face_centres[:, 0] > -1.0))
    assert 0.1 < found.whole.shown_mm3 / plan.volume_mm3 < 0.9
    assert close(found.whole.off_mm3, change.excess_mm3)
    assert [place.kind for place in found.places if place.volume_mm3 > 0.3] == ["excess"]


def test_the_uncertainty_covers_what_noise_does(plan: Plan) -> None:
    fine = without_base(plan.model)
    ratios = []
    for seed in range(3):
        scan = with_noise(fine, 0.02, seed=seed)
        fit = refine(scan, plan.target.free, Pose.stay())
        assert fit is not None
        laid = lay(scan, plan, fit, name="scan")
        found = volumes_of(plan, laid, deviation_of(laid, probes_on(plan)), settings=SETTINGS)
        ratios.append(found.whole.off_mm3 / found.uncertain_mm3)
    # standard uncertainties: a root mean square near one; of three it stays under 2 by far
    assert float(np.sqrt(np.mean(np.square(ratios)))) < 2.0


def test_a_scan_that_cannot_be_a_solid_is_measured_all_the_same(plan: Plan, change: Change) -> None:
    fit = refine(change.model, plan.target.free, Pose.stay())
    assert fit is not None
    laid = replace(
        lay(change.model, plan, fit, name="scan"), solid=None, unsolid="made so for this test"
    )
    found = volumes_of(plan, laid, deviation_of(laid, probes_on(plan)), settings=SETTINGS)
    assert found.unsolid == "made so for this test"
    assert found.checked is None
    assert close(found.whole.off_mm3, change.excess_mm3 - change.missing_mm3)
    assert all(place.mesh is None for place in found.places)


# --- plans ---------------------------------------------------------------------------------------
def test_a_plan_may_be_a_model_or_its_wax(plan: Plan) -> None:
    whole = plan_from_model(plan.cast, plan.path, plan.model, regions=plan.regions)
    alone = plan_from_model(plan.cast, plan.path, plan.wax, regions=plan.regions)
    for one in (whole, alone):
        assert one.volume_mm3 == pytest.approx(plan.volume_mm3, rel=1e-3)
        assert one.model.volume_mm3 == pytest.approx(plan.model.volume_mm3, rel=1e-6)


def test_a_plan_without_wax_or_without_a_solid_is_refused(plan: Plan) -> None:
    with pytest.raises(InputError, match="holds no wax beyond the cast"):
        plan_from_model(plan.cast, plan.path, plan.cast.mesh, regions=plan.regions)
    opened = Mesh(plan.model.vertices, plan.model.faces[1:])
    with pytest.raises(InputError, match="is no closed solid"):
        plan_from_model(plan.cast, plan.path, opened, regions=plan.regions)


def test_wax_far_from_the_plan_is_told_as_elsewhere(plan: Plan) -> None:
    lump = box((-11.5, 6.5, -0.2), (-10.0, 8.0, 0.8))
    truth = changed(plan.model, lump=lump).volume_mm3 - plan.model.volume_mm3
    near = np.linalg.norm(plan.wax.face_centres - [-10.8, 7.2, 0.3], axis=1).min()
    assert near > 2.0
    found = measured(plan, changed(plan.model, lump=lump))
    elsewhere = next(one for one in found.parts if one.name == "elsewhere")
    assert close(elsewhere.off_mm3, truth)
    assert found.places[0].part == "elsewhere"


def test_beads_are_no_wax(plan: Plan) -> None:
    bead = Part("bead", "bead", box((0, 0, -1), (1, 1, 0)), 1.0)
    again = plan_from_parts(
        plan.cast, plan.path, model=plan.model, parts=[*plan.parts, bead], regions=plan.regions
    )
    assert again.volume_mm3 == plan.volume_mm3
