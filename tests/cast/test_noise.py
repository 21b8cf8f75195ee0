"""The noise found against noise that was put in: a known random displacement is the oracle."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from blockout.cast.noise import estimate_noise_mm
from blockout.mesh import Bools, Floats, Mesh, joined


def globe(points: Floats) -> Mesh:
    """Outward-wound triangles over points that lie in all directions from the origin."""
    unit = points / np.linalg.norm(points, axis=1)[:, None]
    faces = ConvexHull(unit).simplices.astype(np.int64)
    corners = unit[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    inward = np.einsum("ij,ij->i", cross, corners.mean(axis=1)) < 0.0
    faces[inward] = faces[inward][:, ::-1]
    return Mesh(points, faces)


def even_directions(count: int) -> Floats:
    """Points of a golden-angle spiral on the unit sphere: even spacing, irregular rings."""
    k = np.arange(count) + 0.5
    height = 1.0 - 2.0 * k / count
    turn = k * np.pi * (3.0 - np.sqrt(5.0))
    flat = np.sqrt(1.0 - height**2)
    return np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)


def random_directions(count: int) -> Floats:
    points = np.random.default_rng(5).normal(size=(count, 3))
    return points / np.linalg.norm(points, axis=1)[:, None]


def tooth_like(unit: Floats) -> Floats:
    """Four rounded cusps and a waist on a body 4 mm in radius."""
    around = np.arctan2(unit[:, 1], unit[:, 0])
    across = np.hypot(unit[:, 0], unit[:, 1])
    size = 4.0 * (1.0 + 0.12 * np.cos(4.0 * around) * across**4 + 0.15 * unit[:, 2] ** 3)
    return unit * size[:, None]


def sheet(columns: int, *, step_mm: float) -> Mesh:
    i, j = np.meshgrid(np.arange(columns), np.arange(columns), indexing="ij")
    corner = (columns * i + j)[:-1, :-1].ravel()
    faces = np.concatenate(
        [
            np.stack([corner, corner + columns, corner + columns + 1], axis=1),
            np.stack([corner, corner + columns + 1, corner + 1], axis=1),
        ]
    )
    points = np.stack([step_mm * i.ravel(), step_mm * j.ravel(), np.zeros(i.size)], axis=1)
    return Mesh(points, faces)


def roughened(mesh: Mesh, noise_mm: float, *, where: Bools | None = None) -> Mesh:
    move = np.random.default_rng(7).normal(0.0, noise_mm, len(mesh.vertices))
    if where is not None:
        move[~where] = 0.0
    return Mesh(mesh.vertices + move[:, None] * mesh.vertex_normals, mesh.faces)


BODIES = {
    # 4 pi R^2 / count of triangles of 0.2 mm side at two a vertex
    "even sphere": globe(5.0 * even_directions(9000)),
    "random sphere": globe(5.0 * random_directions(9000)),
    "tooth-like body": globe(tooth_like(even_directions(6000))),
    "open sheet": sheet(90, step_mm=0.2),
}


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("noise_um", [4.0, 10.0, 20.0, 50.0])
def test_known_noise_is_found(name: str, noise_um: float) -> None:
    found_um = 1000.0 * estimate_noise_mm(roughened(BODIES[name], noise_um / 1000.0))
    assert found_um == pytest.approx(noise_um, rel=0.10)


@pytest.mark.parametrize("name", BODIES)
def test_a_smooth_body_has_next_to_none(name: str) -> None:
    assert estimate_noise_mm(BODIES[name]) < 0.0002


def test_creases_and_spikes_are_not_noise() -> None:
    flat = BODIES["open sheet"]
    points = flat.vertices.copy()
    points[:, 2] = np.abs((points[:, 0] % 4.0) - 2.0)  # a right-angled crease every 2 mm
    points[::50, 2] += 0.5
    found_mm = estimate_noise_mm(roughened(Mesh(points, flat.faces), 0.010))
    assert found_mm == pytest.approx(0.010, rel=0.5)
    points[::50, 2] -= 0.5
    found_mm = estimate_noise_mm(roughened(Mesh(points, flat.faces), 0.010))
    assert found_mm == pytest.approx(0.010, rel=0.15)


def test_base_does_not_dilute_the_noise() -> None:
    rough = roughened(BODIES["even sphere"], 0.010)
    flat = sheet(140, step_mm=0.2)
    curved = globe(5.0 * even_directions(12000))
    both = joined([rough, flat])
    assert estimate_noise_mm(both) == pytest.approx(estimate_noise_mm(rough), rel=0.05)
    three = joined([rough, flat, curved])
    scanned = np.arange(three.triangle_count) < rough.triangle_count
    assert estimate_noise_mm(three, scanned=scanned) == estimate_noise_mm(rough)


def test_turning_and_flipping_change_nothing() -> None:
    rough = roughened(BODIES["tooth-like body"], 0.010)
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    turn *= np.linalg.det(turn)
    matrix = np.eye(4)
    matrix[:3, :3] = turn
    matrix[:3, 3] = [30.0, -50.0, 12.0]
    found_mm = estimate_noise_mm(rough)
    assert estimate_noise_mm(rough.moved(matrix)) == pytest.approx(found_mm, rel=1e-9)
    assert estimate_noise_mm(rough.reversed()) == pytest.approx(found_mm, rel=1e-9)


def test_scaling_scales_the_noise() -> None:
    rough = roughened(BODIES["even sphere"], 0.010)
    found_mm = estimate_noise_mm(rough)
    # not exact: the size below which a residual counts as made flat does not scale
    assert estimate_noise_mm(rough.scaled(2.0)) == pytest.approx(2.0 * found_mm, rel=0.005)


def test_too_little_to_tell_is_zero() -> None:
    assert estimate_noise_mm(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))) == 0.0
    assert estimate_noise_mm(Mesh([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])) == 0.0


def test_soup_of_unjoined_triangles_is_zero() -> None:
    body = BODIES["even sphere"]
    soup = Mesh(body.corners.reshape(-1, 3), np.arange(3 * body.triangle_count).reshape(-1, 3))
    assert estimate_noise_mm(soup) == 0.0
