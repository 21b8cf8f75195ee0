"""A small body without symmetry, as a cast to block out; and what may happen to a scan of it."""

from __future__ import annotations

import manifold3d
import numpy as np
from bodies import ball, box, turn_about, united

from blockout.kernel.solids import Solid
from blockout.mesh import Floats, Mesh, joined


def uneven_body() -> Mesh:
    """Balls, an egg and a turned box of different sizes on a plate of 24 x 18 x 4 mm."""
    egg = ball(1.0, subdivisions=3)
    turn = turn_about((1.0, 2.0, 0.5), 35.0)
    block = box((-1.6, -1.3, -1.8), (1.6, 1.3, 1.8))
    return united(
        [
            box((-12.0, -9.0, -4.0), (12.0, 9.0, 0.0)),
            ball(3.5, subdivisions=3, centre=(-7.0, -2.0, 2.2)),
            ball(2.5, subdivisions=3, centre=(6.0, 4.0, 1.6)),
            Mesh((egg.vertices * [2.5, 1.8, 3.0]) @ turn.T + [2.0, -5.0, 1.9], egg.faces),
            Mesh(block.vertices @ turn_about((0, 1, 1), 25.0).T + [-2.0, 5.0, 1.4], block.faces),
            ball(1.6, subdivisions=3, centre=(9.0, -4.0, 1.1)),
        ]
    )


def other_body() -> Mesh:
    """The same parts in other places: another cast."""
    egg = ball(1.0, subdivisions=3)
    turn = turn_about((1.0, -1.0, 0.5), 50.0)
    block = box((-1.6, -1.3, -1.8), (1.6, 1.3, 1.8))
    return united(
        [
            box((-12.0, -9.0, -4.0), (12.0, 9.0, 0.0)),
            ball(3.5, subdivisions=3, centre=(5.0, -3.0, 2.2)),
            ball(2.5, subdivisions=3, centre=(-8.0, -4.0, 1.6)),
            Mesh((egg.vertices * [2.5, 1.8, 3.0]) @ turn.T + [7.0, 5.0, 1.9], egg.faces),
            Mesh(block.vertices @ turn_about((1, 1, 0), 40.0).T + [-3.0, 2.0, 1.4], block.faces),
            ball(1.6, subdivisions=3, centre=(0.0, 6.0, 1.1)),
        ]
    )


def placed(mesh: Mesh, *, seed: int) -> tuple[Mesh, Floats]:
    """Turned and shifted at random, and the (4, 4) matrix that takes it back."""
    random = np.random.default_rng(seed)
    matrix = np.eye(4)
    matrix[:3, :3] = turn_about(random.normal(size=3), random.uniform(20.0, 180.0))
    matrix[:3, 3] = random.normal(size=3) * 40.0
    return mesh.moved(matrix), np.linalg.inv(matrix)


def remeshed(mesh: Mesh, *, longest_mm: float) -> Mesh:
    """The same surface in other triangles, as a scanner makes its own: needles gone, edges split
    until none is longer. No corner leaves the surface by more than a hundredth of a micron.
    """
    given = manifold3d.Mesh64(
        vert_properties=np.array(mesh.vertices), tri_verts=mesh.faces.astype(np.uint64)
    )
    fine = manifold3d.Manifold(given).simplify(1e-5).refine_to_length(longest_mm)
    return Solid(fine).mesh()


def without_base(mesh: Mesh, *, over_mm: float = -0.5) -> Mesh:
    """The body's upper surface alone, in triangles of a scan's size: plate top and what stands on
    it, sides and bottom gone.
    """
    mesh = remeshed(mesh, longest_mm=0.6)
    inside = np.abs(mesh.face_centres[:, :2]) < [11.999, 8.999]
    return mesh.part(inside.all(axis=1) & (mesh.face_centres[:, 2] > over_mm))


def with_noise(mesh: Mesh, sigma_mm: float, *, seed: int) -> Mesh:
    """Every corner moved at random."""
    random = np.random.default_rng(seed)
    return Mesh(mesh.vertices + random.normal(size=mesh.vertices.shape) * sigma_mm, mesh.faces)


def with_extras(mesh: Mesh) -> Mesh:
    """With a plate under it and a rod beside it, as when more than the cast was scanned."""
    return joined(
        [mesh, box((-20.0, -16.0, -6.5), (20.0, 16.0, -4.5)), box((15, -9, -4), (17, 9, 3))]
    )


def changed(model: Mesh, *, lump: Mesh | None = None, gone: Mesh | None = None) -> Mesh:
    """The model with a lump added and a bite taken."""
    solid = Solid.from_mesh(model)
    if gone is not None:
        solid = solid - Solid.from_mesh(gone)
    if lump is not None:
        solid = solid + Solid.from_mesh(lump)
    return solid.mesh()


def mirrored(mesh: Mesh) -> Mesh:
    """Its mirror image, the outside out."""
    return Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1])
