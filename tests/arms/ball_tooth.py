"""A tooth of which everything is known: a ball sunk into a plate, as the tooth room would give it.

Ball of radius R about (0, 0, equator); the plate's top is z = 0. Straight down, the survey line is
the equator and the undercut ``h`` below it is ``R - sqrt(R^2 - h^2)`` (closed form: circle).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from bodies import ball_on_plate, cast_of, surveyed

from blockout.cast.cast import Cast
from blockout.mesh import Floats, Ints
from blockout.surveying.survey import Survey

RADIUS_MM, EQUATOR_MM = 5.0, 3.5


@dataclass(frozen=True, eq=False)
class PlainCrown:
    number: int
    face: Ints
    margin_mm: Floats
    axes: Floats
    centre_mm: Floats


@dataclass(frozen=True, eq=False)
class PlainTeeth:
    cast: Cast
    crowns: tuple[PlainCrown, ...]

    def crown(self, number: int) -> PlainCrown:
        return next(crown for crown in self.crowns if crown.number == number)


def ball_tooth(*, around: int = 128, noise_mm: float = 0.0, **survey: Any) -> tuple[Survey, Any]:
    """A survey of the cast and the teeth on it: tooth 46, mesial to +x, buccal to +y."""
    body, scanned = ball_on_plate(
        radius_mm=RADIUS_MM, equator_mm=EQUATOR_MM, around=around, plate_mm=9.0
    )
    cast = cast_of(body, scanned=scanned)
    if noise_mm:
        shift = np.random.default_rng(5).normal(scale=noise_mm, size=len(body.vertices))
        moved = body.vertices + shift[:, None] * body.vertex_normals
        cast = cast_of(type(body)(moved, body.faces), scanned=scanned, noise_mm=noise_mm)
    mesh = cast.mesh
    off_mm = np.linalg.norm(mesh.vertices - [0.0, 0.0, EQUATOR_MM], axis=1)
    face = np.flatnonzero((np.abs(off_mm - RADIUS_MM)[mesh.faces] < 0.1).all(axis=1))
    reach_mm = np.sqrt(RADIUS_MM**2 - EQUATOR_MM**2)
    angle = np.linspace(0.0, 2.0 * np.pi, 96, endpoint=False)
    margin = np.column_stack([reach_mm * np.cos(angle), reach_mm * np.sin(angle), 0.0 * angle])
    crown = PlainCrown(46, face, margin, np.eye(3), np.array([0.0, 0.0, EQUATOR_MM]))
    return surveyed(cast, **survey), PlainTeeth(cast, (crown,))


def height_for_mm(depth_mm: float) -> float:
    """How far under the equator the ball is ``depth_mm`` deep."""
    return float(np.sqrt(RADIUS_MM**2 - (RADIUS_MM - depth_mm) ** 2))
