"""Teeth of which everything is known: balls and blocks that float over a plate, with the aspects,
margins and axes that the tooth room would give them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from bodies import ball, box, cast_of
from numpy.typing import ArrayLike

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints, Mesh, joined
from blockout.teeth.aspects import ASPECTS
from blockout.teeth.crowns import Crown, Teeth
from blockout.teeth.margin import Margin

PLATE_MM = (20.0, 20.0)
PLATE_TOP_MM = -9.0
RADIUS_MM = 5.0
MARGIN_BELOW_MM = 4.0
"""The margin of a ball is the circle 4 mm under its middle: 3, 4 and 5 make a right triangle."""


@dataclass(frozen=True)
class BallTooth:
    """A ball of radius 5 as a crown: mesial and buccal directions in the plane of the plate."""

    number: int
    centre_mm: tuple[float, float, float]
    mesial: tuple[float, float]
    buccal: tuple[float, float]

    @property
    def axes(self) -> Floats:
        return np.array([[*self.mesial, 0.0], [*self.buccal, 0.0], [0.0, 0.0, 1.0]])


def balls_cast(teeth: list[BallTooth], *, subdivisions: int = 5) -> tuple[Cast, Teeth]:
    """Balls over a plate."""
    bodies = [ball(RADIUS_MM, subdivisions=subdivisions, centre=t.centre_mm) for t in teeth]
    return cast_with(bodies, [(t.number, t.axes, np.array(t.centre_mm)) for t in teeth])


def cast_with(
    bodies: list[Mesh], stands: list[tuple[int, Floats, Floats]], **cast_of_what: Any
) -> tuple[Cast, Teeth]:
    """Bodies over a plate as crowns: number, axes and middle of each. Every face of a body goes to
    the aspect it looks toward most.
    """
    wide, deep = PLATE_MM
    plate = box((-wide, -deep, PLATE_TOP_MM - 4.0), (wide, deep, PLATE_TOP_MM))
    mesh = joined([plate, *bodies])
    start = np.cumsum([plate.triangle_count, *(body.triangle_count for body in bodies)])
    scanned = np.ones(mesh.triangle_count, dtype=bool)
    scanned[: plate.triangle_count] = plate.face_normals[:, 2] > 0.5
    cast = cast_of(mesh, scanned=scanned, **cast_of_what)
    crowns = [
        crown_of(mesh, np.arange(start[k], start[k + 1]), *stand) for k, stand in enumerate(stands)
    ]
    of_face = np.zeros(mesh.triangle_count, dtype=np.uint8)
    for crown in crowns:
        of_face[crown.face] = crown.number
    of_vertex = np.zeros(len(mesh.vertices), dtype=np.uint8)
    of_vertex[mesh.faces.reshape(-1)] = np.repeat(of_face, 3)
    curve: Any = None
    return cast, Teeth(cast, tuple(crowns), of_face, of_vertex, curve)


def crown_of(mesh: Mesh, face: Ints, number: int, axes: Floats, centre: Floats) -> Crown:
    looks = mesh.face_normals[face] @ axes.T
    order = [ASPECTS.index(name) for name in ("mesial", "distal", "buccal", "lingual")]
    sides = np.stack([looks[:, 0], -looks[:, 0], looks[:, 1], -looks[:, 1]], axis=1)
    aspect = np.array(order)[sides.argmax(axis=1)]
    aspect[looks[:, 2] > 0.8] = ASPECTS.index("occlusal")
    own = (mesh.vertices[np.unique(mesh.faces[face])] - centre) @ axes.T
    ring = np.linspace(0.0, 2.0 * np.pi, 240, endpoint=False)
    reach = np.sqrt(RADIUS_MM**2 - MARGIN_BELOW_MM**2)
    margin = centre + np.column_stack(
        [reach * np.cos(ring), reach * np.sin(ring), np.full(240, -MARGIN_BELOW_MM)]
    )
    none = np.zeros(240)
    return Crown(
        number=number,
        face=face,
        margin=Margin(margin, none, none.astype(np.int64), none.astype(bool)),
        by_hand=True,
        centre_mm=centre,
        axes=axes,
        half_mm=(own.max(axis=0) - own.min(axis=0)) / 2.0,
        aspect=aspect.astype(np.int8),
        area_mm2=float(mesh.face_areas_mm2[face].sum()),
    )


def ball_depth_mm(points_mm: ArrayLike, centre: ArrayLike, direction: Floats) -> Floats:
    """Closed form: h under the great circle square to the path a ball is R - sqrt(R^2 - h^2) deep;
    nothing above it.
    """
    below = (np.asarray(centre) - np.asarray(points_mm)) @ direction
    below = np.clip(below, 0.0, RADIUS_MM)
    depth: Floats = RADIUS_MM - np.sqrt(RADIUS_MM**2 - below**2)
    return depth


def block(normal_mesial: ArrayLike, centre: ArrayLike, axes: Floats) -> Mesh:
    """A block 6 x 6 x 6 mm whose mesial face is exactly square to ``normal_mesial``; the others
    stay square to the axes.
    """
    cube = box((-3.0, -3.0, -3.0), (3.0, 3.0, 3.0))
    normal = np.asarray(normal_mesial) @ axes.T
    corners = cube.vertices.copy()
    front = corners[:, 0] > 0.0
    # along the mesial axis each front corner slides into the plane through (3, 0, 0)
    corners[front, 0] = 3.0 - (corners[front, 1:] @ normal[1:]) / normal[0]
    faces = cube.faces
    placed = corners @ axes + np.asarray(centre)
    if np.linalg.det(axes) < 0.0:
        faces = faces[:, ::-1]
    return divided(Mesh(placed, faces), times=3)


def divided(mesh: Mesh, *, times: int) -> Mesh:
    """Every face in four, again and again."""
    import trimesh

    body = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    for _ in range(times):
        body = body.subdivide()
    return Mesh(np.asarray(body.vertices), np.asarray(body.faces))
