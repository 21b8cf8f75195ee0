"""A solid model made hollow: an even shell, open through vents in the underside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.ndimage import distance_transform_edt, label

from blockout.cast.change import place_of
from blockout.errors import CheckError, InputError, Place
from blockout.kernel.rays import RayScene
from blockout.kernel.solids import Solid
from blockout.kernel.surfaces import distance_mm
from blockout.mesh import Bools, Floats, Mesh
from blockout.printing.level_surface import level_error_mm, level_surface

SIMPLIFIED_MM: Final = 0.01
"""How far the hollow's surface may move to save triangles; the level is chosen so much deeper."""
_CELLS_A_WALL: Final = 6.0
_MOST_CELL_MM: Final = 0.4
_RASTER_MM: Final = 0.2
_ABOVE_FLOOR_MM: Final = 0.3
"""Where a hollow's floor plan is read, over its lowest point."""
_AROUND: Final = 64
"""Sides of a vent."""
_POOL_MM: Final = 0.5
"""Cells in which pools are looked for."""
_MEASURED: Final = 0.001


@dataclass(frozen=True)
class Vent:
    """A round opening through the underside; ``at_mm`` is its middle there."""

    at_mm: Place
    diameter_mm: float


@dataclass(frozen=True, eq=False)
class Hollowed:
    """A hollow model.

    Parameters
    ----------
    mesh : Mesh
        Closed, one shell: the hollow is open through the vents.
    hollow_mm3 : float
        Volume of all hollows, vents not counted.
    vents : tuple of Vent
    level_mm : float
        Depth under the outside at which the hollow's surface was laid.
    error_mm : float
        How much less deep it may lie, by the bound of
        :func:`~blockout.printing.level_surface.level_error_mm` and what was simplified.
    least_wall_mm : float
        Measured after the fact: least distance from the hollow's surface to the outside.
    left_solid : tuple of (x, y, z)
        Middles of hollows that were left solid, being too small for their vents.
    left_solid_mm3 : float
    pool_mm3 : float
        Resin that stays in hollows when the model stands on its base with the vents open, to the
        cells in which it was looked for (0.5 mm).
    """

    mesh: Mesh
    hollow_mm3: float
    vents: tuple[Vent, ...]
    level_mm: float
    error_mm: float
    least_wall_mm: float
    left_solid: tuple[Place, ...]
    left_solid_mm3: float
    pool_mm3: float


def hollowed(
    model: Mesh, *, wall_mm: float, vent_mm: float, vents: int, cell_mm: float | None = None
) -> Hollowed:
    """Take away all that lies deeper than ``wall_mm`` under the surface, and open it from below.

    The hollow is the inner offset surface: every place that is at least ``wall_mm`` from the
    nearest place of the outside, base included. It is laid so much deeper as its surface may be
    off, so the wall is nowhere less than asked. Each hollow gets ``vents`` vents through the
    underside at its lowest points, as wide apart as they go; one that has no room for them stays
    solid and is told of.

    Parameters
    ----------
    model : Mesh
        Closed, base at z = 0, mm.
    wall_mm, vent_mm : float
        Least wall; diameter of a vent.
    vents : int
        For each hollow, at least 2.
    cell_mm : float, optional
        Size of the cells in which depth is read; a sixth of the wall, 0.4 mm at most.

    Raises
    ------
    InputError
        The model is too slender to be hollow: nothing is deep enough, or has room for vents.
    CheckError
        The wall, measured, is thinner than asked; or a hollow is shut.
    KernelError
    """
    cell_mm = min(wall_mm / _CELLS_A_WALL, _MOST_CELL_MM) if cell_mm is None else cell_mm
    error_mm = level_error_mm(wall_mm, cell_mm) + SIMPLIFIED_MM
    level_mm = wall_mm + error_mm
    found = level_surface(model, level_mm, cell_mm=cell_mm)
    pieces = _pieces(found.mesh)
    if not pieces:
        raise InputError(
            "the model is too slender to be hollow",
            measured=f"{found.deepest_mm:.2f} mm at its deepest, {level_mm:.2f} needed and room "
            "inside",
            places_mm=[place_of(found.deepest_at_mm)],
            fix="Write a thinner wall with --hollow, or leave it solid.",
        )
    body = Solid.from_mesh(model)
    outside = RayScene(model)
    opened: list[Mesh] = []
    bores: list[Solid] = []
    made: list[Vent] = []
    left: list[Mesh] = []
    for piece in pieces:
        thin = Solid.from_mesh(piece).simplified(SIMPLIFIED_MM).mesh()
        places = _vent_places(thin, outside, vent_mm=vent_mm, vents=vents)
        if places is None:
            left.append(piece)
            continue
        opened.append(thin)
        for x, y, top_mm in places:
            bores.append(_bore(x, y, top_mm, vent_mm))
            made.append(Vent((float(x), float(y), 0.0), vent_mm))
    if not opened:
        widest = max(left, key=lambda piece: piece.volume_mm3)
        raise InputError(
            "the hollow has no room for its vents: the model is too slender",
            measured=f"{vents} vents of {vent_mm:g} mm, the largest of {len(left)} hollows holds "
            f"{widest.volume_mm3:.1f} mm3",
            places_mm=[place_of(widest.centre)],
            fix="Write a thinner wall with --hollow or a narrower vent with --vent, or leave it "
            "solid.",
        )
    air = Solid.union([Solid.from_mesh(piece) for piece in opened])
    mesh = (body - (air + Solid.union(bores))).mesh()
    least_mm = min(_least_distance_mm(model, piece) for piece in opened)
    _check(mesh, model, least_mm, wall_mm)
    return Hollowed(
        mesh=mesh,
        hollow_mm3=air.volume_mm3,
        vents=tuple(made),
        level_mm=level_mm,
        error_mm=error_mm,
        least_wall_mm=least_mm,
        left_solid=tuple(place_of(piece.centre) for piece in left),
        left_solid_mm3=float(sum(piece.volume_mm3 for piece in left)),
        pool_mm3=sum(_pool_mm3(piece, made) for piece in opened),
    )


def _pieces(surface: Mesh) -> list[Mesh]:
    """The separate hollows, largest first.

    Raises
    ------
    InputError
        The model has voids of its own.
    """
    if not surface.triangle_count:
        return []
    number = surface.face_components()
    pieces = [surface.part(number == one) for one in range(int(number.max()) + 1)]
    voids = [piece for piece in pieces if piece.volume_mm3 < 0.0]
    if voids:
        raise InputError(
            "a model that shuts in a void of its own is not made hollow",
            measured=f"{len(voids)} inside, allowed 0",
            places_mm=[place_of(piece.centre) for piece in voids],
            fix="Fill the scan's hollow and build it again.",
        )
    return sorted(pieces, key=lambda piece: -piece.volume_mm3)


def _inside(scene: RayScene, mesh: Mesh, points: Floats) -> Bools:
    up = np.array([0.0, 0.0, 1.0])
    hits = scene.first_hit(points, up)
    within: Bools = (hits.face >= 0) & (mesh.face_normals[np.maximum(hits.face, 0), 2] > 0.0)
    return within


def _vent_places(
    hollow: Mesh, outside: RayScene, *, vent_mm: float, vents: int
) -> list[tuple[float, float, float]] | None:
    """(x, y, top) of each vent, at the hollow's lowest points; None where they have no room.

    A vent lies wholly under the hollow's floor and over the level underside.
    """
    low, high = hollow.bounds_mm
    top_mm = float(low[2]) + _ABOVE_FLOOR_MM
    if high[2] <= top_mm:
        return None
    xs = np.arange(low[0] - _RASTER_MM, high[0] + 2 * _RASTER_MM, _RASTER_MM)
    ys = np.arange(low[1] - _RASTER_MM, high[1] + 2 * _RASTER_MM, _RASTER_MM)
    grid = np.stack(np.meshgrid(xs, ys, indexing="ij"), axis=-1)
    points = np.column_stack([grid.reshape(-1, 2), np.full(grid[..., 0].size, top_mm)])
    held = _inside(RayScene(hollow), hollow, points)
    under = outside.first_hit(points, np.array([0.0, 0.0, -1.0]))
    held &= np.abs(under.distance_mm - top_mm) <= _MEASURED
    plan = held.reshape(grid.shape[:2])
    if not plan.any():
        return None
    # a cell counts with its diagonal, so that the whole disc is under the floor
    room_mm = distance_transform_edt(plan) * _RASTER_MM - _RASTER_MM
    fits = room_mm >= vent_mm / 2.0
    if not fits.any():
        return None
    places = grid[fits]
    # from one end to the other, then always the place farthest from all chosen
    end = places[np.linalg.norm(places - places.mean(axis=0), axis=1).argmax()]
    chosen = [int(np.linalg.norm(places - end, axis=1).argmax())]
    away = np.linalg.norm(places - places[chosen[0]], axis=1)
    while len(chosen) < vents:
        following = int(away.argmax())
        # between two vents a bridge as wide as a vent stays
        if away[following] < 2.0 * vent_mm:
            return None
        chosen.append(following)
        away = np.minimum(away, np.linalg.norm(places - places[following], axis=1))
    return [(float(x), float(y), top_mm) for x, y in places[chosen]]


def _bore(x: float, y: float, top_mm: float, diameter_mm: float) -> Solid:
    turn = 2.0 * np.pi * np.arange(_AROUND) / _AROUND
    ring = np.column_stack([x + diameter_mm / 2.0 * np.cos(turn),
                            y + diameter_mm / 2.0 * np.sin(turn)])  # fmt: skip
    return Solid.column(ring, low_mm=-1.0, high_mm=top_mm)


def _least_distance_mm(model: Mesh, hollow: Mesh) -> float:
    """Least distance of the hollow's corners, edges' and faces' middles to the outside."""
    corners = hollow.corners
    points = np.concatenate(
        [hollow.vertices, hollow.face_centres, *((corners[:, k] + corners[:, k - 1]) / 2.0
                                                  for k in range(3))]
    )  # fmt: skip
    return float(distance_mm(model, points).min())


def _check(mesh: Mesh, model: Mesh, least_mm: float, wall_mm: float) -> None:
    if least_mm < wall_mm:
        raise CheckError(
            "the hollow model's wall is thinner than asked",
            measured=f"{least_mm:.4f} mm, asked {wall_mm:g}",
            fix="This is a fault of blockout; write a thicker wall with --hollow meanwhile.",
        )
    shells = int(mesh.face_components().max()) + 1
    before = int(model.face_components().max()) + 1
    if shells != before:
        raise CheckError(
            "a hollow of the model is shut",
            measured=f"{shells} shells, {before} expected",
            fix="This is a fault of blockout; leave the model solid meanwhile.",
        )


def _pool_mm3(hollow: Mesh, vents: list[Vent]) -> float:
    """Volume of the hollow that resin cannot leave by flowing down to a vent.

    Layer by layer from below: a patch of a layer drains where it lies over a draining patch of the
    layer below, or is wide open to a vent in the lowest.
    """
    low, high = hollow.bounds_mm
    steps = [np.arange(a + _POOL_MM / 2.0, b, _POOL_MM) for a, b in zip(low, high, strict=True)]
    if min(len(step) for step in steps) == 0:
        return 0.0
    # the lowest layer lies where the vents end
    steps[2] = steps[2] - _POOL_MM / 2.0 + _ABOVE_FLOOR_MM
    counts = tuple(len(step) for step in steps)
    points = np.stack(np.meshgrid(*steps, indexing="ij"), axis=-1).reshape(-1, 3)
    held = _inside(RayScene(hollow), hollow, points).reshape(counts)
    drains: Bools = np.zeros(counts[:2], dtype=bool)
    plan = np.stack(np.meshgrid(steps[0], steps[1], indexing="ij"), axis=-1)
    for vent in vents:
        away_mm = np.linalg.norm(plan - np.array(vent.at_mm[:2]), axis=-1)
        drains |= away_mm <= vent.diameter_mm / 2.0
    pooled = 0
    for layer in range(counts[2]):
        patch, _ = label(held[:, :, layer])
        good = np.unique(patch[drains & held[:, :, layer]])
        drains = np.isin(patch, good[good > 0])
        pooled += int((held[:, :, layer] & ~drains).sum())
    return pooled * _POOL_MM**3
