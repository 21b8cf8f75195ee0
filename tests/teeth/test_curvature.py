"""Curvature against closed forms: ball, plane, cylinder and saddle."""

from __future__ import annotations

import numpy as np
from bodies import ball, turned

from blockout.mesh import Mesh
from blockout.teeth.curvature import curvature, edges_of


def _sheet(height, *, half_mm=4.0, step_mm=0.2, noise_mm=0.0) -> Mesh:
    """A square sheet z = height(x, y), outside up, its vertices a little off the grid."""
    random = np.random.default_rng(7)
    ticks = np.arange(-half_mm, half_mm + step_mm / 2.0, step_mm)
    x, y = (axis.reshape(-1) for axis in np.meshgrid(ticks, ticks, indexing="ij"))
    x, y = (axis + random.uniform(-0.2, 0.2, len(axis)) * step_mm for axis in (x, y))
    z = height(x, y) + random.normal(0.0, 1.0, len(x)) * noise_mm
    count = len(ticks)
    corner = (np.arange(count - 1)[:, None] * count + np.arange(count - 1)).reshape(-1)
    first = np.stack([corner, corner + count, corner + count + 1], axis=1)
    second = np.stack([corner, corner + count + 1, corner + 1], axis=1)
    return Mesh(np.stack([x, y, z], axis=1), np.concatenate([first, second]))


def test_a_ball_bends_by_one_over_its_radius_in_every_direction():
    # closed form: curvature of a sphere is 1 / R; facets miss it less the finer they are
    off = []
    for subdivisions in (3, 4):
        mesh = ball(radius_mm=4.0, subdivisions=subdivisions)
        edges = edges_of(mesh)
        along = mesh.vertices[edges[:, 1]] - mesh.vertices[edges[:, 0]]
        along /= np.linalg.norm(along, axis=1)[:, None]
        off.append(np.abs(curvature(mesh, blur_mm=0.0).along(edges, along) - 0.25))
        # turned inside out it is a hollow
        inner = curvature(mesh.reversed(), blur_mm=0.0)
        assert np.abs(inner.least + 0.25).max() < 1.5 * off[-1].max()
    assert off[1].max() < 0.02 * 0.25
    # edges half as long, half the error: what a mesh that is not regular allows
    assert off[1].mean() < off[0].mean() / 1.9


def test_a_cylinder_bends_around_and_not_along():
    # closed form: 1 / R around, 0 along
    profile = [(0.0, 0.0), *((3.0, z) for z in np.linspace(0.0, 8.0, 33)), (0.0, 8.0)]
    mesh = turned(profile, around=96)
    found = curvature(mesh, blur_mm=0.0)
    wall = (mesh.vertices[:, 2] > 1.0) & (mesh.vertices[:, 2] < 7.0)
    outward = mesh.vertices[wall] * [1.0, 1.0, 0.0] / 3.0
    around = np.cross([0.0, 0.0, 1.0], outward)
    tensor = found.tensor[wall]
    assert np.abs(np.einsum("ki,kij,kj->k", around, tensor, around) - 1.0 / 3.0).max() < 0.002
    assert np.abs(tensor[:, 2, 2]).max() < 1e-9


def test_a_saddle_is_hollow_one_way_and_full_the_other():
    # closed form: z = k (y^2 - x^2) / 2 bends by +k along x and -k along y at its middle
    mesh = _sheet(lambda x, y: 0.3 * (y**2 - x**2) / 2.0)
    found = curvature(mesh, blur_mm=0.3)
    middle = np.argmin(np.linalg.norm(mesh.vertices[:, :2], axis=1))
    assert abs(found.tensor[middle, 0, 0] - 0.3) < 0.01
    assert abs(found.tensor[middle, 1, 1] + 0.3) < 0.01
    assert abs(found.least[middle] + 0.3) < 0.01


def test_blur_takes_noise_away_and_a_plane_stays_a_plane():
    inner = slice(400, 1200)
    flat = curvature(_sheet(lambda x, _: 0.0 * x), blur_mm=0.0)
    assert np.abs(flat.tensor).max() < 1e-12
    rough = curvature(_sheet(lambda x, _: 0.0 * x, noise_mm=0.005), blur_mm=0.0).least[inner]
    calm = curvature(_sheet(lambda x, _: 0.0 * x, noise_mm=0.005), blur_mm=0.6).least[inner]
    assert np.abs(calm).mean() < 0.4 * np.abs(rough).mean()
