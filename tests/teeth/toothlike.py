"""A ball sunk into a plate, as a crown whose margin is a known circle."""

from __future__ import annotations

import numpy as np
from bodies import cast_of, turned

from blockout.cast.cast import Cast
from blockout.mesh import Mesh

RADIUS_MM = 5.0
EQUATOR_MM = 4.0
CREASE_MM = 3.0
"""Radius of the circle in which the ball meets the plate: 3, 4 and 5 make a right triangle."""
TOP_MM = np.array([0.0, 0.0, EQUATOR_MM + RADIUS_MM])


def ball_crown(*, around: int = 120, behind_mm: float = 7.0) -> Cast:
    """The ball on a plate of radius 16 whose rim is moved back by ``behind_mm``, so that the ball
    stands at the front of its arch. The plate's rim and underside are base.
    """
    step = 2.0 * np.pi * RADIUS_MM / around
    start = -np.arcsin(EQUATOR_MM / RADIUS_MM)
    count = round((np.pi / 2.0 - start) * RADIUS_MM / step)
    under = np.linspace(start, 0.0, round(-start * RADIUS_MM / step) + 1)
    over = np.linspace(0.0, np.pi / 2.0, count - len(under) + 2)[1:]
    angle = np.r_[under, over]
    arc = RADIUS_MM * np.column_stack([np.cos(angle), np.sin(angle)]) + [0.0, EQUATOR_MM]
    arc[0], arc[-1, 0] = (CREASE_MM, 0.0), 0.0
    plate = [(0.0, -4.0), (8.0, -4.0), (16.0, -4.0), (16.0, 0.0)]
    share = np.linspace(1.0, 0.0, 45)[1:-1] ** 1.5
    between = np.column_stack([CREASE_MM + share * (16.0 - CREASE_MM), np.zeros(len(share))])
    body = turned(np.concatenate([plate, between, arc]), around=around)
    base = (body.face_centres[:, 2] < -1e-9) & (np.abs(body.face_normals[:, 2] - 1.0) > 1e-9)
    points = body.vertices.copy()
    reach = np.linalg.norm(points[:, :2], axis=1)
    on_plate = points[:, 2] < 1e-9
    away = np.clip((reach - CREASE_MM) / (16.0 - CREASE_MM), 0.0, 1.0)
    points[on_plate, 1] -= behind_mm * away[on_plate] ** 2
    return cast_of(Mesh(points, body.faces), scanned=~base)
