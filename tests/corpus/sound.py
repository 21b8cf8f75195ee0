"""Sound small bodies that the corpus damages: scans and casts of a few thousand triangles."""

from __future__ import annotations

import numpy as np
from bodies import ball, ball_on_plate, box, frustum, torus, turned, united
from open_scans import folded_in, leaning, narrow_below, open_arch, upright
from plain_arch import plain_arch

from blockout.mesh import Mesh

SECTIONS = (upright, narrow_below, folded_in, leaning)


def scan(rng: np.random.Generator, *, fine: float = 1.0) -> Mesh:
    """An open scan of an arch: up +z, front +y."""
    if rng.random() < 0.5:
        return open_arch(along=round(70 * fine), across=round(22 * fine))
    missing = [int(n) for n in rng.choice([-7, -6, -5, 5, 6, 7], size=3, replace=False)]
    return plain_arch(step_mm=1.1 / fine, missing=missing, noise_mm=0.005)


def cast(rng: np.random.Generator) -> Mesh:
    """A closed cast of an arch, upright walls on a flat bottom."""
    missing = [int(n) for n in rng.choice([-7, -6, -5, 5, 6, 7], size=2, replace=False)]
    return plain_arch(step_mm=1.5, missing=missing, noise_mm=0.005, base_mm=-22.0)


def body(rng: np.random.Generator) -> Mesh:
    """A closed body with undercut, such as no arch has, on a plate or alone."""
    which = int(rng.integers(5))
    if which == 0:
        return ball_on_plate(around=int(rng.integers(12, 40)))[0]
    if which == 1:
        return frustum(3.0, 5.0, float(rng.uniform(2.0, 6.0)), around=int(rng.integers(8, 40)))
    if which == 2:
        return ball(float(rng.uniform(3.0, 8.0)), subdivisions=2)
    if which == 3:
        return torus(around=int(rng.integers(2, 6)) * 8)
    profile = [(0, 0), (2, 0), (3, 1.5), (2.2, 3), (2.5, 3.4), (5, 4), (3, 6), (0, 6.5)]
    return turned(profile, around=int(rng.integers(4, 24)))


def heap(rng: np.random.Generator) -> Mesh:
    """Balls and blocks grown into one body on a plate."""
    parts = [box((-14.0, -14.0, -6.0), (14.0, 14.0, 0.0))]
    for _ in range(int(rng.integers(2, 5))):
        x, y = rng.uniform(-8.0, 8.0, 2)
        if rng.random() < 0.6:
            radius = float(rng.uniform(2.0, 4.0))
            height = radius * float(rng.uniform(0.2, 0.8))
            parts.append(ball(radius, subdivisions=2, centre=(x, y, height)))
        else:
            low = np.array([x, y, -1.0])
            parts.append(box(low, low + np.r_[rng.uniform(2.0, 6.0, 2), rng.uniform(3.0, 7.0)]))
    return united(parts)


def sound(rng: np.random.Generator) -> Mesh:
    """Any of them."""
    return (scan, cast, body, heap)[int(rng.integers(4))](rng)
