"""Meshes to write and read: one whose numbers no format can round by luck, and any others."""

from __future__ import annotations

import numpy as np
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from blockout.mesh import Mesh

FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
# no coordinate here is a short decimal, and one is minus zero
VERTICES = np.array([[-0.0, 0.1, 1e-17], [1 / 3, 0.0, 0.7], [np.pi, 50.0, -2.5e-7], [7.0, 1e5, 3]])
BODY = Mesh(VERTICES, FACES)

WIDE = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300)
SINGLE = st.floats(allow_nan=False, allow_infinity=False, width=32)
RELAXED = settings(
    max_examples=40,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@st.composite
def meshes(draw: st.DrawFn, floats: st.SearchStrategy[float] = WIDE) -> Mesh:
    """Any vertices, used or not, doubled or not, and any faces over them."""
    count = draw(st.integers(1, 12))
    vertices = draw(hnp.arrays(np.float64, (count, 3), elements=floats))
    faces = draw(
        hnp.arrays(np.int64, (draw(st.integers(1, 12)), 3), elements=st.integers(0, count - 1))
    )
    return Mesh(vertices, faces)


def same_bits(one: np.ndarray, other: np.ndarray) -> bool:
    return (
        one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()
    )
