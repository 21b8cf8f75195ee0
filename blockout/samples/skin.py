"""The skin of a field: well-shaped triangles on the zero of a function of space.

Own way of working: one vertex for each grid cell that the surface crosses, four cells around a
crossed grid edge make a quad (surface nets). Grid points are first set so that no two cells touch
by a mere edge or corner, which keeps the skin free of pinched edges. Vertices then slide along
the surface to even out the triangles, and are put on the zero of the function by Newton steps.
"""

from __future__ import annotations

from typing import Final, Protocol

import numpy as np

from blockout.errors import CheckError
from blockout.kernel.surfaces import self_intersections
from blockout.mesh import Bools, Floats, Ints, Mesh

_RELAX_ROUNDS: Final = 3
_UNTANGLE_ROUNDS: Final = 12


class Field(Protocol):
    """A function of space, about the distance in mm near its zero, negative inside."""

    def __call__(self, points_mm: Floats, /) -> Floats:
        """(n,) at points (n, 3)."""
        ...

    def with_slope(self, points_mm: Floats, /) -> tuple[Floats, Floats]:
        """(n,) values and (n, 3) slopes."""
        ...


def skin_of_grid(values: Floats, *, origin_mm: Floats, spacing_mm: Floats) -> Mesh:
    """Surface net of grid values (nx, ny, nz), outside where positive.

    The skin is open where the solid runs out of the grid. The sides must be clear of the solid.
    """
    inside: Bools = well_composed(np.asarray(values <= 0.0), values)
    # where a value's sign was overruled, let the crossing sit in the middle of the edge
    safe = np.where(inside == (values <= 0.0), values, np.where(inside, -1e-3, 1e-3))
    cells = tuple(n - 1 for n in inside.shape)
    corners = [
        inside[x, y, z]
        for x in (slice(0, -1), slice(1, None))
        for y in (slice(0, -1), slice(1, None))
        for z in (slice(0, -1), slice(1, None))
    ]
    mixed: Bools = np.zeros(cells, dtype=bool)
    for corner in corners[1:]:
        mixed |= corner != corners[0]
    number = np.full(cells, -1, dtype=np.int64)
    number[mixed] = np.arange(int(mixed.sum()))
    total = np.zeros((int(mixed.sum()), 3))
    shared = np.zeros(len(total))
    quads = []
    for axis in range(3):
        low = tuple(slice(0, -1) if k == axis else slice(None) for k in range(3))
        high = tuple(slice(1, None) if k == axis else slice(None) for k in range(3))
        cross = np.argwhere(inside[low] != inside[high])
        a, b = safe[low][tuple(cross.T)], safe[high][tuple(cross.T)]
        place = cross.astype(np.float64)
        place[:, axis] += a / (a - b)
        whole = np.ones(len(cross), dtype=bool)
        around = []
        for step in ((0, 0), (1, 0), (1, 1), (0, 1)):
            cell = cross.copy()
            cell[:, (axis + 1) % 3] -= step[0]
            cell[:, (axis + 2) % 3] -= step[1]
            real = np.asarray(((cell >= 0) & (cell < cells)).all(axis=1))
            whole &= real
            mine = number[tuple(np.where(real[:, None], cell, 0).T)]
            around.append(mine)
            for k in range(3):
                total[:, k] += np.bincount(mine[real], place[real, k], minlength=len(total))
            shared += np.bincount(mine[real], minlength=len(total))
        quad = np.stack(around, axis=1)[whole]
        flip = a[whole] > 0.0
        quad[flip] = quad[flip][:, ::-1]
        quads.append(quad)
    points = total / shared[:, None] * spacing_mm
    return Mesh(points + origin_mm, _split(points, np.concatenate(quads)))


def _split(points: Floats, quads: Ints) -> Ints:
    """Quads to triangles along the shorter diagonal; a tie is not left to the last bit."""
    one = np.linalg.norm(points[quads[:, 0]] - points[quads[:, 2]], axis=1)
    other = np.linalg.norm(points[quads[:, 1]] - points[quads[:, 3]], axis=1)
    quads = np.where((one <= other + 1e-9)[:, None], quads, np.roll(quads, 1, axis=1))
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


def well_composed(inside: Bools, values: Floats) -> Bools:
    """Set outside grid points inside until inside and outside nowhere touch by an edge or a corner
    only. Of the two points that would mend a place, the one nearer to the surface is taken.
    """
    solid = inside.copy()
    while True:
        add: list[Ints] = []
        for axis in range(3):
            block = np.moveaxis(solid, axis, 0)
            p, q = block[:, :-1, :-1], block[:, 1:, 1:]
            r, s = block[:, 1:, :-1], block[:, :-1, 1:]
            for bad, corners in (
                (p & q & ~r & ~s, ((1, 0), (0, 1))),
                (r & s & ~p & ~q, ((0, 0), (1, 1))),
            ):
                places = np.argwhere(bad)
                if len(places):
                    add.append(_nearer(places, corners, axis, values))
        for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1)):
            add.extend(_corner_only(solid, dx, dy))
        if not add:
            return solid
        points = np.concatenate(add)
        solid[tuple(points.T)] = True


def _nearer(
    places: Ints, corners: tuple[tuple[int, int], tuple[int, int]], axis: int, values: Floats
) -> Ints:
    one, two = [k for k in range(3) if k != axis]
    options = []
    for step in corners:
        # moveaxis put `axis` first and kept the order of the other two
        point = np.empty_like(places)
        point[:, axis] = places[:, 0]
        point[:, one] = places[:, 1] + step[0]
        point[:, two] = places[:, 2] + step[1]
        options.append(point)
    first = values[tuple(options[0].T)] <= values[tuple(options[1].T)]
    return np.where(first[:, None], options[0], options[1])


def _corner_only(solid: Bools, dx: int, dy: int) -> list[Ints]:
    """Cells in which two opposite corners alone differ from the other six."""
    x, y = [slice(d, solid.shape[k] - 1 + d) for k, d in enumerate((dx, dy))]
    far_x, far_y = [slice(1 - d, solid.shape[k] - d) for k, d in enumerate((dx, dy))]
    low, high = solid[x, y, :-1], solid[far_x, far_y, 1:]
    total = np.zeros(low.shape, dtype=np.int8)
    for cx in (slice(0, -1), slice(1, None)):
        for cy in (slice(0, -1), slice(1, None)):
            for cz in (slice(0, -1), slice(1, None)):
                total += solid[cx, cy, cz]
    found: list[Ints] = []
    both = np.argwhere(low & high & (total == 2))
    if len(both):
        found.append(both + np.array([1 - dx, dy, 0]))
    neither = np.argwhere(~low & ~high & (total == 6))
    if len(neither):
        found.append(neither + np.array([dx, dy, 0]))
    return found


def settled(mesh: Mesh, field: Field, *, fixed: Bools, rounds: int = _RELAX_ROUNDS) -> Mesh:
    """Vertices evened out along the surface and put onto the zero of ``field``.

    ``fixed`` (n,) vertices move only square to z, so that a flat border stays flat.
    """
    start, end = mesh.halfedges.T
    count = np.maximum(np.bincount(start, minlength=len(mesh.vertices)), 1)
    points = _on_zero(mesh.vertices, field, fixed)
    for _ in range(rounds):
        normals = Mesh(points, mesh.faces).vertex_normals
        pull = np.stack(
            [np.bincount(start, points[end, k], minlength=len(points)) / count for k in range(3)],
            axis=1,
        )
        pull -= points
        pull -= normals * np.einsum("ij,ij->i", pull, normals)[:, None]
        pull[fixed] = 0.0
        points = points + 0.6 * pull
        # a cheap step back to the surface, along the mesh's own normals
        back = np.clip(field(points), -0.1, 0.1)
        back[fixed] = 0.0
        points = points - normals * back[:, None]
    for _ in range(2):
        points = _on_zero(points, field, fixed)
    return Mesh(points, mesh.faces)


def untangled(mesh: Mesh, *, fixed: Bools) -> Mesh:
    """The mesh with places where it cuts itself pulled apart.

    In a slit narrower than its triangles a mesh can cross its own other wall. There, and two
    rings around, vertices go to the mean of their neighbours until nothing crosses.

    Raises
    ------
    CheckError
        Places are left after many rounds; the plan asks for something too fine for its spacing.
    """
    start, end = mesh.halfedges.T
    count = np.maximum(np.bincount(start, minlength=len(mesh.vertices)), 1)
    points = mesh.vertices
    for _ in range(_UNTANGLE_ROUNDS):
        crossing = self_intersections(Mesh(points, mesh.faces))
        if not len(crossing):
            return Mesh(points, mesh.faces)
        moving = np.zeros(len(points), dtype=bool)
        moving[mesh.faces[crossing.reshape(-1)].reshape(-1)] = True
        for _ in range(2):
            moving[end[moving[start]]] = True
        moving &= ~fixed
        for _ in range(3):
            mean = np.stack(
                [np.bincount(start, points[end, k], minlength=len(points)) for k in range(3)],
                axis=1,
            )
            points = np.where(moving[:, None], mean / count[:, None], points)
    centres = Mesh(points, mesh.faces).face_centres[crossing[:, 0]]
    raise CheckError(
        "the sample cast cuts itself",
        measured=f"{len(crossing)} pairs of faces, allowed none",
        places_mm=[tuple(centre) for centre in centres],
        fix="Choose a finer spacing_mm, or less drift.",
    )


def _on_zero(points: Floats, field: Field, fixed: Bools) -> Floats:
    value, slope = field.with_slope(points)
    slope[fixed, 2] = 0.0
    steep = np.maximum(np.einsum("ij,ij->i", slope, slope), 0.05)
    step = (np.clip(value, -0.3, 0.3) / steep)[:, None] * slope
    moved: Floats = points - np.clip(step, -0.3, 0.3)
    return moved
