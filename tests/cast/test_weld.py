"""Welding: what is merged, what moves, what stays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from blockout.cast import weld as module
from blockout.cast.weld import weld

# few places, so that many vertices share one
PLACES = st.sampled_from([0.0, -0.0, 1.0, 1.0 + 2**-52, -1.5, 1e-300])


@st.composite
def soups(draw: st.DrawFn, values: st.SearchStrategy[float] = PLACES) -> tuple:
    count = draw(st.integers(1, 30))
    vertices = draw(hnp.arrays(np.float64, (count, 3), elements=values))
    faces = draw(
        hnp.arrays(np.int64, (draw(st.integers(1, 20)), 3), elements=st.integers(0, count - 1))
    )
    return vertices, faces


@given(soups())
def test_equal_coordinates_become_one_vertex_and_nothing_moves(soup: tuple) -> None:
    """Against a dictionary filled in file order; -0.0 == 0.0 in Python as in geometry."""
    vertices, faces = soup
    numbers: dict[tuple, int] = {}
    for row in vertices.tolist():
        numbers.setdefault(tuple(row), len(numbers))
    expected = [[numbers[tuple(vertices[i].tolist())] for i in face] for face in faces]
    found = weld(vertices, faces)
    assert found.mesh.faces.tolist() == expected
    assert [tuple(row) for row in found.mesh.vertices.tolist()] == list(numbers)
    # the first of each place stays to the bit, the sign of its zero too
    firsts = [vertices.tolist().index(list(place)) for place in numbers]
    assert found.mesh.vertices.tobytes() == vertices[firsts].tobytes()
    assert found.merged_count == len(vertices) - len(numbers)
    assert found.moved_count == 0
    assert found.largest_move_mm == 0.0
    assert np.array_equal(found.mesh.corners, vertices[faces])
    assert found.collapsed_count == sum(len(set(face)) < 3 for face in expected)


def test_faces_that_collapse_are_kept_and_counted() -> None:
    vertices = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 0.0]])
    found = weld(vertices, np.array([[0, 1, 2], [0, 1, 3]]))
    assert found.mesh.faces.tolist() == [[0, 1, 2], [0, 1, 0]]
    assert found.collapsed_count == 1
    assert found.sentence() == (
        "1 vertices were welded to an earlier one at the same place, none moved; "
        "1 faces without three different corners were kept"
    )


def test_two_places_under_one_number_are_still_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sorting number is made useless, as a one-in-a-million clash would."""
    rng = np.random.default_rng(1)
    vertices = rng.integers(0, 4, (500, 3)).astype(float)
    faces = np.arange(498).reshape(-1, 3)
    expected = weld(vertices, faces)
    monkeypatch.setattr(module, "_scattered", lambda places: (places[:, 0] > 1.0).astype(np.uint64))
    found = weld(vertices, faces)
    assert np.array_equal(found.mesh.faces, expected.mesh.faces)
    assert np.array_equal(found.mesh.vertices, expected.mesh.vertices)
    assert len(found.mesh.vertices) == 4**3


def test_a_million_corners_of_32_bit_floats_scatter_well() -> None:
    """Numbers that end in zeros, as those of an STL do, must not clash."""
    places = np.random.default_rng(0).uniform(-50, 50, (200_000, 3)).astype(np.float32)
    numbers = module._scattered(places.astype(np.float64))
    assert len(np.unique(numbers)) == len(np.unique(places, axis=0))


@settings(max_examples=60)
@given(soups(st.floats(0.0, 1.0)), st.floats(0.0, 0.6))
def test_with_a_tolerance_nothing_moves_further_and_no_two_are_left_within_it(
    soup: tuple, tolerance_mm: float
) -> None:
    vertices, faces = soup
    found = weld(vertices, faces, tolerance_mm=tolerance_mm)
    moves = np.linalg.norm(vertices[faces] - found.mesh.corners, axis=2)
    assert moves.max() <= tolerance_mm * (1 + 1e-12)
    assert found.largest_move_mm <= tolerance_mm * (1 + 1e-12)
    assert found.largest_move_mm >= moves.max()
    kept = found.mesh.vertices
    gaps = np.linalg.norm(kept[:, None] - kept[None], axis=2) + 10.0 * np.eye(len(kept))
    assert gaps.min() > tolerance_mm * (1 - 1e-12) or tolerance_mm == 0.0
    assert len(kept) == len(vertices) - found.merged_count
    # every one that stays is one of the file's, in its order
    rows = vertices.tolist()
    order = [rows.index(row) for row in kept.tolist()]
    assert order == sorted(order)


def test_a_chain_of_close_vertices_does_not_run_together() -> None:
    """Ten in a row 0.9 apart, tolerance 1: every other one stays, none moves further than 0.9."""
    vertices = np.zeros((10, 3))
    vertices[:, 0] = np.arange(10) * 0.9
    found = weld(vertices, np.arange(9).reshape(-1, 3), tolerance_mm=1.0)
    assert found.mesh.vertices[:, 0].tolist() == vertices[::2, 0].tolist()
    assert found.moved_count == 5
    assert found.largest_move_mm == pytest.approx(0.9)
    assert "5 moved by up to 0.9 mm" in found.sentence()


def test_nothing_in_nothing_out_and_inputs_untouched() -> None:
    empty = weld(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    assert empty.mesh.triangle_count == empty.merged_count == 0
    vertices, faces = np.zeros((6, 3)), np.arange(6).reshape(-1, 3)
    weld(vertices, faces, tolerance_mm=0.1)
    assert faces.tolist() == [[0, 1, 2], [3, 4, 5]]
    assert not vertices.any()


@pytest.mark.parametrize("tolerance_mm", [-0.1, float("nan"), float("inf")])
def test_a_tolerance_is_a_length(tolerance_mm: float) -> None:
    with pytest.raises(ValueError, match="length of 0 mm or more"):
        weld(np.zeros((3, 3)), np.array([[0, 1, 2]]), tolerance_mm=tolerance_mm)
