"""The poured base: heights and widths in closed form under half a ball, and under awkward borders
never cutting the scan; well shaped enough that the solid kernel changes nothing.
"""

from __future__ import annotations

import numpy as np
import pytest
from invariants import assert_solid
from open_scans import Section, dome, folded_in, narrow_below, open_arch, rows_in, upright

from blockout.cast.base import LAND_DROP_MM, Poured, pour_base
from blockout.cast.border import trim_border
from blockout.cast.frame import CastFrame
from blockout.cast.pieces import border_loops
from blockout.cast.prepare import fit_base
from blockout.errors import DefectError
from blockout.kernel.outlines import Region, inside, ring_area_mm2, triangles_inside, widened
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Floats, Mesh

LEVEL = CastFrame(np.eye(4))
LAND_MM = 3.0
THICK_MM = 10.0


def poured(mesh: Mesh, *, land_mm: float = LAND_MM, thick_mm: float = THICK_MM) -> Poured:
    """A base under an open surface whose border is plain."""
    (loop,) = border_loops(mesh)
    result = pour_base(mesh, loop, frame=LEVEL, land_mm=land_mm, base_thickness_mm=thick_mm)
    assert_based(result, mesh, thick_mm=thick_mm)
    return result


def assert_based(result: Poured, mesh: Mesh, *, thick_mm: float = THICK_MM) -> None:
    """A solid, cut nowhere, that holds the open surface to the bit and stands flat."""
    assert_solid(result.mesh)
    assert len(self_intersections(result.mesh)) == 0
    assert np.array_equal(result.mesh.vertices[: len(mesh.vertices)], mesh.vertices)
    assert np.array_equal(result.mesh.faces[: mesh.triangle_count], mesh.faces)
    assert result.base.sum() == result.mesh.triangle_count - mesh.triangle_count
    assert not result.base[: mesh.triangle_count].any()
    assert_flat_bottom(result, mesh, thick_mm)
    assert_kept_by_the_solid_kernel(result.mesh)


def assert_flat_bottom(result: Poured, mesh: Mesh, thick_mm: float) -> None:
    lowest = mesh.bounds_mm[0, 2]
    assert result.floor_mm == pytest.approx(lowest - thick_mm, abs=1e-12)
    assert result.mesh.bounds_mm[0, 2] == pytest.approx(result.floor_mm, abs=1e-12)
    bottom = (result.mesh.corners[:, :, 2] == result.floor_mm).all(axis=1)
    assert bottom.sum() > 50
    assert (result.mesh.face_normals[bottom][:, 2] < -1.0 + 1e-12).all()


def assert_kept_by_the_solid_kernel(mesh: Mesh) -> None:
    again = Solid.from_mesh(mesh).mesh()
    assert again.triangle_count == mesh.triangle_count
    assert again.volume_mm3 == pytest.approx(mesh.volume_mm3, rel=1e-9)


def land_of(result: Poured) -> Mesh:
    """Faces of the base that look up."""
    return result.mesh.part(result.base & (result.mesh.face_normals[:, 2] > 0.5))


def smallest_angles_deg(mesh: Mesh) -> Floats:
    angles = []
    for k in range(3):
        u = mesh.corners[:, (k + 1) % 3] - mesh.corners[:, k]
        v = mesh.corners[:, (k + 2) % 3] - mesh.corners[:, k]
        sine = np.linalg.norm(np.cross(u, v), axis=1)
        angles.append(np.degrees(np.arctan2(sine, np.einsum("ij,ij->i", u, v))))
    return np.min(angles, axis=0)


def test_land_and_volume_under_half_a_ball() -> None:
    """Closed form: half a polyhedral ball, a neck of its border's area and the drop's height, and
    a disc of the land's area from there to the bottom.
    """
    ball = dome(rings=40)
    result = poured(ball)
    land = land_of(result)
    assert np.abs(land.corners[:, :, 2] + LAND_DROP_MM).max() < 1e-9
    ring = ball.vertices[border_loops(ball)[0], :2]
    neck_mm2 = ring_area_mm2(ring)
    rim = [loop for loop in border_loops(land) if abs(len(loop) - 60) < 40]
    outer = max((land.vertices[loop, :2] for loop in rim), key=lambda r: abs(ring_area_mm2(r)))
    reach = np.linalg.norm(outer, axis=1)
    # the border is a polygon in the circle, and the land may reach a quarter of a mm further
    assert reach.min() > 10.0 + LAND_MM - 0.02
    assert reach.max() < 10.0 + LAND_MM + 0.36
    disc_mm2 = abs(ring_area_mm2(outer))
    # divergence theorem about the origin, to which the open side z = 0 adds nothing
    ball_mm3 = float(np.einsum("ij,ij->", ball.corners[:, 0], ball.face_crosses)) / 6.0
    expected = ball_mm3 + neck_mm2 * LAND_DROP_MM + disc_mm2 * (THICK_MM - LAND_DROP_MM)
    # the skirt's wider rows leave the border's outline by a tenth of a millimetre at most
    assert result.mesh.volume_mm3 == pytest.approx(expected, abs=2 * np.pi * 10.0 * 0.1)


@pytest.mark.parametrize("land_mm", [0.5, 3.0, 8.0])
@pytest.mark.parametrize("thick_mm", [2.0, 25.0])
def test_land_and_thickness_are_what_was_asked(land_mm: float, thick_mm: float) -> None:
    result = poured(dome(), land_mm=land_mm, thick_mm=thick_mm)
    reach = np.linalg.norm(result.mesh.vertices[:, :2], axis=1).max()
    assert 10.0 + land_mm - 0.05 < reach < 10.0 + land_mm + 0.36


def test_the_land_spans_an_overhang() -> None:
    """A ball cut low bulges over its border: the land reaches from its equator, not its border."""
    ball = dome(rings=40)
    points = np.array(ball.vertices)
    tilt = np.arccos(points[:, 2] / 10.0) * 1.4
    flat = np.linalg.norm(points[:, :2], axis=1)
    way = np.divide(points[:, :2], flat[:, None], out=np.zeros_like(points[:, :2]),
                    where=flat[:, None] > 0)  # fmt: skip
    more = Mesh(np.c_[10.0 * np.sin(tilt)[:, None] * way, 10.0 * np.cos(tilt)], ball.faces)
    border = more.vertices[border_loops(more)[0]]
    assert np.linalg.norm(border[:, :2], axis=1).max() < 8.2
    result = poured(more)
    reach = np.linalg.norm(result.mesh.vertices[:, :2], axis=1).max()
    assert 13.0 - 0.05 < reach < 13.36
    assert land_of(result).corners[:, :, 2].max() <= border[:, 2].min() - LAND_DROP_MM + 1e-9


@pytest.mark.parametrize("section", [upright, narrow_below, folded_in])
def test_base_under_an_arch(section: Section) -> None:
    trimmed, result = fit_base(
        trim_border(open_arch(section), frame=LEVEL, trim_mm=0.6),
        frame=LEVEL,
        land_mm=LAND_MM,
        base_thickness_mm=THICK_MM,
    )
    assert_based(result, trimmed.mesh)
    mesh = result.mesh
    # no tunnel, no hollow: Euler's formula
    edges = len(mesh.halfedges) // 2
    assert len(np.unique(mesh.faces)) - edges + mesh.triangle_count == 2
    # seen from above the land surrounds everything scanned by its width
    border = trimmed.mesh.vertices[trimmed.loop]
    outline = mesh.part((mesh.corners[:, :, 2] == result.floor_mm).all(axis=1))
    (foot,) = border_loops(outline)
    region = Region(outline.vertices[foot[::-1], :2])
    turn = np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False)
    ring = 0.97 * LAND_MM * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    around = (trimmed.mesh.vertices[:, None, :2] + ring[None]).reshape(-1, 2)
    assert inside(region, around).all()
    # the tongue's room stays open
    assert not inside(region, np.array([[0.0, 5.0], [0.0, 0.0]])).any()
    # everything scanned beside the border's own outline stands over the land by the drop
    scene = RayScene(mesh.part(result.base))
    beside = ~inside(Region(border[:, :2]), trimmed.mesh.vertices[:, :2])
    beside[trimmed.loop] = False
    points = trimmed.mesh.vertices[beside]
    assert (len(points) > 0) == (section is not upright)
    gap = scene.first_hit(points, np.array([0.0, 0.0, -1.0])).distance_mm
    assert np.isfinite(gap).all()
    assert (gap > 0.9 * LAND_DROP_MM).all()
    # no base shows over the scan: from above, the base is never hit before what it carries
    height = land_of(result).vertices[:, 2]
    assert height.max() <= border[:, 2].max() - LAND_DROP_MM + 1e-9


def test_the_land_follows_the_border() -> None:
    """Wax under a high border ends just below it: the skirt is short where the border is slow."""
    trimmed = trim_border(open_arch(), frame=LEVEL, trim_mm=0.6)
    low = trimmed.mesh.vertices[trimmed.loop, 2]
    tilted = Mesh(
        trimmed.mesh.vertices + np.outer(trimmed.mesh.vertices[:, 1], [0.0, 0.0, 0.2]),
        trimmed.mesh.faces,
    )
    result = poured(tilted)
    land = land_of(result)
    assert np.ptp(land.vertices[:, 2]) > 0.5 * 0.2 * np.ptp(tilted.vertices[:, 1])
    border = tilted.vertices[trimmed.loop]
    front = border[(border[:, 1] > 20.0) & (low < np.median(low))]
    scene = RayScene(land)
    drop = scene.first_hit(
        front + np.array([0.0, 0.0, 0.001]), np.array([0.0, 0.0, -1.0])
    ).distance_mm
    hit = np.isfinite(drop)
    assert hit.sum() > 10
    assert drop[hit].max() < 4.0


def test_facets_of_the_base_are_well_shaped() -> None:
    trimmed = trim_border(open_arch(along=220, across=64), frame=LEVEL, trim_mm=0.6)
    result = poured(trimmed.mesh)
    angles = smallest_angles_deg(result.mesh.part(result.base))
    assert np.percentile(angles, 5) > 5.0
    assert np.median(angles) > 20.0


def test_a_skirt_may_keep_every_point_of_the_border() -> None:
    ball = dome(rings=40)
    (loop,) = border_loops(ball)
    every = pour_base(
        ball,
        loop,
        frame=LEVEL,
        land_mm=LAND_MM,
        base_thickness_mm=THICK_MM,
        exact=np.ones(len(loop), dtype=bool),
    )
    assert_solid(every.mesh)
    few = poured(ball)
    assert every.base.sum() > few.base.sum()
    below = every.mesh.vertices[len(ball.vertices) :]
    under = rows_in(
        np.ascontiguousarray(np.c_[below[:, :2], np.zeros(len(below))]), ball.vertices[loop]
    )
    assert under.sum() == 3 * len(loop)


def test_a_border_that_crosses_itself_is_refused() -> None:
    ball = dome()
    (loop,) = border_loops(ball)
    points = np.array(ball.vertices)
    points[loop[[10, 11]]] = points[loop[[11, 10]]]
    with pytest.raises(DefectError, match="crosses itself"):
        pour_base(Mesh(points, ball.faces), loop, frame=LEVEL, land_mm=3.0, base_thickness_mm=10.0)


def test_a_scan_that_opens_upward_is_refused() -> None:
    ball = dome()
    (loop,) = border_loops(ball)
    with pytest.raises(DefectError, match="opens upward"):
        pour_base(ball.reversed(), loop[::-1], frame=LEVEL, land_mm=3.0, base_thickness_mm=10.0)


def test_an_outline_is_filled_exactly() -> None:
    """A saw with a square hole: its area by the shoelace formula, every edge of it kept."""
    teeth = 20
    saw = np.vstack(
        [
            np.stack([np.arange(teeth), np.tile([0.0, 8.0], teeth // 2)], axis=1),
            np.stack([np.arange(teeth)[::-1] + 0.05, np.tile([9.0, 1.0], teeth // 2)], axis=1),
        ]
    )
    region = Region(saw if ring_area_mm2(saw) > 0.0 else saw[::-1])
    triangles = triangles_inside(region, np.zeros((0, 2)))
    assert len(triangles) == 2 * teeth - 2  # Euler: a polygon of n corners has n - 2 triangles
    holed = Region(
        np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]]),
        (np.array([[1.0, 1.0], [1.0, 3.0], [3.0, 3.0], [3.0, 1.0]]),),
    )
    points = np.vstack([*holed.rings, [[0.5, 2.0], [3.5, 2.1]]])
    triangles = triangles_inside(holed, points[8:])
    u = points[triangles[:, 1]] - points[triangles[:, 0]]
    v = points[triangles[:, 2]] - points[triangles[:, 0]]
    doubled = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    assert (doubled > 0.0).all()
    assert doubled.sum() / 2.0 == pytest.approx(16.0 - 4.0, rel=1e-12)
    assert set(triangles.reshape(-1).tolist()) == set(range(10))


def test_widening_reaches_as_far_as_said() -> None:
    """Closed form: around a square of side 2 and a point 5 mm off its middle, discs of 3 mm."""
    square = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    far = np.array([[5.0, 0.0]])
    region = widened(square, far, by_mm=3.0, round_mm=1.0, fill_below_mm2=10.0)
    assert region.outer[:, 0].min() == pytest.approx(-4.0, abs=0.02)
    assert 8.0 - 0.02 <= region.outer[:, 0].max() <= 8.27
    assert region.outer[:, 1].max() == pytest.approx(4.0, abs=0.02)
    assert region.holes == ()
