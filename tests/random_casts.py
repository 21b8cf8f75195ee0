"""Random casts and paths, for laws and judges."""

from __future__ import annotations

import numpy as np
from bodies import ball, box, cast_of, turn_about, united
from hypothesis import strategies as st

from blockout.cast.cast import Cast
from blockout.mesh import Mesh

place = st.tuples(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0), st.floats(-1.0, 4.0))
size = st.tuples(*[st.floats(0.8, 2.5)] * 3)
tilts = st.tuples(st.floats(-10.0, 10.0), st.floats(-10.0, 10.0))


@st.composite
def casts(draw: st.DrawFn, most: int = 4) -> Cast:
    """Balls, ellipsoids and boxes, each turned at random, united with a plate."""
    parts = [box((-7.0, -7.0, -4.0), (7.0, 7.0, -2.0))]
    for _ in range(draw(st.integers(1, most))):
        centre, scale = np.array(draw(place)), np.array(draw(size))
        turn = turn_about(draw(size), draw(st.floats(0.0, 180.0)))
        if draw(st.booleans()):
            part = ball(1.0, subdivisions=1)
        else:
            part = box((-0.8, -0.8, -0.8), (0.8, 0.8, 0.8))
        parts.append(Mesh((part.vertices * scale) @ turn.T + centre, part.faces))
    body = united(parts)
    # the plate's walls and underside are base
    rim = np.abs(np.abs(body.corners[:, :, :2]) - 7.0).min(axis=2) < 1e-9
    base = rim.all(axis=1) & (body.face_centres[:, 2] < -2.0)
    base |= (np.abs(body.corners[:, :, 2] + 4.0) < 1e-9).all(axis=1)
    return cast_of(body, scanned=~base, floor_mm=-4.0)
