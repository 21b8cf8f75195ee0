"""The signed map, walls, ledges and reliefs, on bodies whose figures have closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from bodies import ball, box, cast_of, frustum, turned
from CGAL.CGAL_AABB_tree import AABB_tree_Triangle_3_soup
from CGAL.CGAL_Kernel import Point_3
from uneven import with_noise

from blockout.case.settings import PathSettings
from blockout.comparing.align import Fit
from blockout.comparing.deviations import (
    Deviation,
    deviation_of,
    ledges_of,
    probes_on,
    reliefs_of,
    spread_of,
    walls_of,
)
from blockout.comparing.laid import Laid, lay
from blockout.comparing.plan import Part, Plan, Terminal, plan_from_parts
from blockout.comparing.pose import Pose
from blockout.comparing.regions import Regions, regions_of_arch, regions_of_centres
from blockout.comparing.repeated import repeated
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh
from blockout.surveying.path import insertion_path

STILL = Fit(Pose.stay(), 0.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 0.0, 100)


def plan_of(cast_mesh: Mesh, parts: list[Part], terminals: list[Terminal] | None = None) -> Plan:
    """A plan along +z; the model is the union of cast and parts."""
    cast = cast_of(cast_mesh)
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    model = Solid.union(Solid.from_mesh(m) for m in [cast_mesh, *(p.mesh for p in parts)]).mesh()
    return plan_from_parts(
        cast,
        path,
        model=model,
        parts=parts,
        regions=regions_of_arch(cast, path),
        terminals=terminals or [],
    )


def on(plan: Plan, scan: Mesh) -> tuple[Laid, Deviation]:
    laid = lay(scan, plan, STILL, name="scan")
    return laid, deviation_of(laid, probes_on(plan))


def joined_with(*meshes: Mesh) -> Mesh:
    return Solid.union(Solid.from_mesh(mesh) for mesh in meshes).mesh()


# --- the map -------------------------------------------------------------------------------------
def test_distances_are_those_of_another_library(plan: Plan) -> None:
    # CGAL's tree of triangles, in exact-comparison arithmetic, as the judge
    scan = with_noise(plan.model, 0.05, seed=4)
    _, found = on(plan, scan)
    tree = AABB_tree_Triangle_3_soup()
    tree.insert_from_array(scan.corners.reshape(-1, 9))
    chosen = np.arange(0, len(found.off_mm), 97)
    theirs = np.sqrt(
        [
            tree.squared_distance(Point_3(*map(float, point)))
            for point in found.probes.samples.points_mm[chosen]
        ]
    )
    assert np.allclose(np.abs(found.off_mm[chosen]), theirs, atol=1e-9)


def test_a_ball_a_tenth_larger_stands_out_by_a_tenth() -> None:
    base, wax = ball(4.0, subdivisions=4), box((3.0, -1.0, -1.0), (4.6, 1.0, 1.0))
    plan = plan_of(base, [Part("box", "arbitrary", wax, wax.volume_mm3)])
    _, found = on(plan, plan.model.scaled(4.1 / 4.0))
    free = ~found.on_wax
    # facets of a ball of 4 divisions lie inside by up to 5 um
    spread = found.on(free, within_mm=0.25)
    assert spread is not None
    assert spread.mean_mm == pytest.approx(0.1, abs=0.005)
    assert spread.share_within > 0.99
    _, found = on(plan, plan.model.scaled(3.9 / 4.0))
    spread = found.on(free, within_mm=0.05)
    assert spread is not None
    assert spread.mean_mm == pytest.approx(-0.1, abs=0.005)
    assert spread.share_within < 0.05


def test_the_numbers_of_a_normal_scatter() -> None:
    # from the normal distribution: 95 % within 1.96 sigma, 68.27 % within one
    off = np.random.default_rng(1).normal(0.02, 0.1, 200_000)
    spread = spread_of(off - off.mean() + 0.02, each_mm2=0.01, within_mm=0.1)
    assert spread is not None
    assert spread.area_mm2 == pytest.approx(2000.0)
    assert spread.mean_mm == pytest.approx(0.02)
    assert spread.rms_mm == pytest.approx(math.hypot(0.02, spread.sd_mm))
    assert spread.sd_mm == pytest.approx(0.1, rel=0.01)
    assert spread.p95_mm == pytest.approx(0.200, rel=0.02)
    assert spread.share_within == pytest.approx(0.6731, abs=0.005)  # Phi(0.8) - Phi(-1.2)
    assert spread_of(np.zeros(0), each_mm2=1.0, within_mm=0.1) is None


# --- walls ---------------------------------------------------------------------------------------
@pytest.mark.parametrize("lean_deg", [0.0, 3.0, -4.0])
def test_the_wall_of_a_turned_body_leans_as_it_was_made(lean_deg: float) -> None:
    core = frustum(3.0, 3.0, 6.0, around=96)
    plan = plan_of(core, [_ring(0.0)])
    scan = joined_with(core, _ring(lean_deg).mesh)
    laid, found = on(plan, scan)
    whole = walls_of(plan, laid, found)[0]
    assert whole.name == "all"
    assert whole.planned_deg == pytest.approx(0.0, abs=0.02)
    # closed form: the cone's half angle; a 96-gon's flats lean by the same to a thousandth
    assert whole.actual_deg == pytest.approx(lean_deg, abs=0.1)
    assert whole.inward_share == pytest.approx(1.0 if lean_deg < -1.0 else 0.0, abs=0.02)


def _ring(lean_deg: float) -> Part:
    """A collar of wax around the core from z 1 to 4, its wall leaning about its middle."""
    half = 1.5 * math.tan(math.radians(lean_deg))
    body = turned(
        [(0, 1), (2, 1), (4 + half, 1), (4, 2.5), (4 - half, 4), (2, 4), (0, 4)], around=96
    )
    return Part("collar", "parallel", body, body.volume_mm3)


def test_noise_does_not_read_as_lean() -> None:
    core = frustum(3.0, 3.0, 6.0, around=96)
    plan = plan_of(core, [_ring(0.0)])
    from uneven import remeshed

    scan = with_noise(remeshed(plan.model, longest_mm=0.3), 0.01, seed=1)
    laid, found = on(plan, scan)
    whole = walls_of(plan, laid, found)[0]
    # 10 um on facets of 0.3 mm turns each by degrees; their mean over the wall stays
    assert whole.actual_deg == pytest.approx(0.0, abs=0.3)


# --- ledges --------------------------------------------------------------------------------------
ANGLE_DEG = 12.0


def _tooth_and_ledge(top_mm: float) -> tuple[Mesh, Part]:
    """An inverted cone, widest (4 mm) at z 6, and a ring under it with its shelf at ``top_mm``."""
    tooth = turned(
        [(0, 0), (1, 0), (4 - 6 * math.tan(math.radians(ANGLE_DEG)), 0), (4, 6), (3, 7), (0, 7)],
        around=128,
    )
    ring = turned([(0, 0.5), (2, 0.5), (4.8, 0.5), (4.8, top_mm), (2, top_mm), (0, top_mm)],
                  around=128)  # fmt: skip
    return tooth, Part("ledge-11", "ledge", ring, ring.volume_mm3)


@pytest.mark.parametrize("rise_mm", [0.0, 0.3, -0.4])
def test_a_ledge_stands_and_is_deep_as_it_was_made(rise_mm: float) -> None:
    tooth, ledge = _tooth_and_ledge(4.0)
    # closed form: u = h tan a, h below the greatest circumference
    depth = 2.0 * math.tan(math.radians(ANGLE_DEG))
    plan = plan_of(
        tooth,
        [ledge],
        [Terminal("11 buccal", 11, (4.0 - depth, 0.0, 4.0), depth, (0.0, 1.0, 0.0))],
    )
    laid, _ = on(plan, joined_with(tooth, _tooth_and_ledge(4.0 + rise_mm)[1].mesh))
    (read,) = ledges_of(plan, laid)
    assert read.height_off_mm == pytest.approx(rise_mm, abs=0.002)
    # read 0.05 to 0.15 mm above the shelf, so by the mean of 0.1 mm less deep
    over = 0.1 * math.tan(math.radians(ANGLE_DEG))
    facet = 4.0 * (1.0 - math.cos(math.pi / 128))
    assert read.planned_depth_mm == pytest.approx(depth - over, abs=0.005 + facet)
    assert read.depth_off_mm == pytest.approx(
        -rise_mm * math.tan(math.radians(ANGLE_DEG)), abs=0.003
    )


def test_a_ledge_that_is_not_there_is_not_read() -> None:
    tooth, ledge = _tooth_and_ledge(4.0)
    depth = 2.0 * math.tan(math.radians(ANGLE_DEG))
    plan = plan_of(
        tooth, [ledge], [Terminal("11", 11, (4.0 - depth, 0.0, 4.0), depth, (0.0, 1.0, 0.0))]
    )
    laid, _ = on(plan, tooth)
    (read,) = ledges_of(plan, laid)
    assert read.height_off_mm is None
    assert read.depth_off_mm is None


# --- reliefs -------------------------------------------------------------------------------------
@pytest.mark.parametrize("thick_mm", [0.3, 0.45, 0.2])
def test_a_relief_is_as_thick_as_it_was_made(thick_mm: float) -> None:
    tissue = box((-6.0, -6.0, -3.0), (6.0, 6.0, 0.0))
    planned, made = (box((-4.0, -3.0, -0.5), (4.0, 3.0, t)) for t in (0.3, thick_mm))
    outside = Solid.from_mesh(planned) - Solid.from_mesh(tissue)
    sheet = outside.mesh()
    cast = cast_of(tissue)
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    plan = plan_from_parts(
        cast,
        path,
        model=joined_with(tissue, planned),
        parts=[Part("sheet", "relief", sheet, sheet.volume_mm3)],
        regions=regions_of_arch(cast, path),
    )
    assert plan.volume_mm3 == pytest.approx(8 * 6 * 0.3)  # closed form: area times thickness
    laid, found = on(plan, joined_with(tissue, made))
    (read,) = reliefs_of(plan, laid, found)
    assert read.planned_mm == pytest.approx(0.3, abs=1e-6)
    assert read.actual_mm == pytest.approx(thick_mm, abs=0.003)


# --- regions -------------------------------------------------------------------------------------
def test_the_border_between_two_teeth_runs_through_their_contact() -> None:
    cast = cast_of(box((-20, -20, -5), (20, 20, 5)))
    path = insertion_path(cast.frame, arch="lower", settings=PathSettings())
    # a molar 11 mm wide at x 0 touches a premolar 7 mm wide at x 9
    regions: Regions = regions_of_centres(
        path,
        numbers=(46, 45),
        centres_mm=np.array([[0.0, 0.0, 0.0], [9.0, 0.0, 0.0]]),
        half_width_mm=np.array([5.5, 3.5]),
    )
    points = np.array([[5.4, 1.0, 3.0], [5.6, -2.0, -3.0]])
    assert regions.of(points).tolist() == [0, 1]
    assert regions.names == ("46", "45")


def test_the_arch_has_a_right_a_front_and_a_left() -> None:
    for arch, first in (
        ("lower", ["right", "front", "left"]),
        ("upper", ["left", "front", "right"]),
    ):
        cast = cast_of(box((-20, -20, -5), (20, 20, 5)), arch=arch)
        path = insertion_path(cast.frame, arch=arch, settings=PathSettings())
        regions = regions_of_arch(cast, path)
        at = regions.of(np.array([[9.0, 2.0, 1.0], [1.0, 9.0, 1.0], [-9.0, -2.0, 1.0]]))
        assert [regions.names[k] for k in at] == first


# --- several scans -------------------------------------------------------------------------------
def test_trueness_is_of_the_mean_and_precision_about_it(plan: Plan) -> None:
    probes = probes_on(plan)
    count = len(probes.part)
    random = np.random.default_rng(5)
    # a bias of 40 um and a scatter of 20 um, known: ISO 5725-1's two words apart
    scans = [
        Deviation(probes, 0.040 + random.normal(0.0, 0.020, count), np.ones(count, dtype=bool))
        for _ in range(5)
    ]
    found = repeated(scans, volumes_off_mm3=[1.0, 2.0, 3.0, 4.0, 5.0])
    assert found is not None
    assert found.bias_mm == pytest.approx(0.040, abs=0.0005)
    # of the mean of five there is a fifth of the variance left: sqrt(40^2 + 20^2 / 5)
    assert found.trueness_mm == pytest.approx(math.hypot(0.040, 0.020 / math.sqrt(5)), abs=0.0005)
    assert found.precision_mm == pytest.approx(0.020, abs=0.0005)
    assert found.volume_bias_mm3 == pytest.approx(3.0)
    assert found.volume_sd_mm3 == pytest.approx(math.sqrt(2.5))  # n - 1 under the root
    one = repeated(scans[:1], volumes_off_mm3=[1.0])
    assert one is not None
    assert one.precision_mm is None
    assert one.volume_sd_mm3 is None
    hidden = Deviation(probes, np.zeros(count), np.zeros(count, dtype=bool))
    assert repeated([scans[0], hidden], volumes_off_mm3=[0.0, 0.0]) is None
