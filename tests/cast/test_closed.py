"""Base and floor of closed casts whose base is known by construction."""

from __future__ import annotations

import numpy as np
import pytest
from plain_arch import plain_arch

from blockout.cast.closed import recognise_base
from blockout.cast.frame import CastFrame
from blockout.cast.level import find_frame
from blockout.errors import InputError
from blockout.mesh import Floats, Mesh

LEVEL = CastFrame(np.eye(4))


def frame_tilted(tilt_deg: float) -> CastFrame:
    """Anterior tilt: the cast's upright leans toward -y."""
    t = np.radians(tilt_deg)
    up = np.array([0.0, -np.sin(t), np.cos(t)])
    return CastFrame.from_axes(origin_mm=np.zeros(3), up=up, front=np.array([0.0, 1.0, 0.0]))


def cylinder(radius_mm: float = 10.0, height_mm: float = 15.0, sides: int = 96) -> Mesh:
    t = 2.0 * np.pi * np.arange(sides) / sides
    ring = np.stack([radius_mm * np.cos(t), radius_mm * np.sin(t)], axis=1)
    low = np.column_stack([ring, np.zeros(sides)])
    high = np.column_stack([ring, np.full(sides, height_mm)])
    a = np.arange(sides)
    b = (a + 1) % sides
    faces = np.concatenate(
        [
            np.stack([a, b, b + sides], axis=1),
            np.stack([a, b + sides, a + sides], axis=1),
            np.stack([b, a, np.full(sides, 2 * sides)], axis=1),
            np.stack([a + sides, b + sides, np.full(sides, 2 * sides + 1)], axis=1),
        ]
    )
    centres = np.array([[0.0, 0.0, 0.0], [0.0, 0.0, height_mm]])
    return Mesh(np.concatenate([low, high, centres]), faces)


def kinds(mesh: Mesh, base_mm: float) -> tuple[Floats, Floats]:
    """Which faces are bottom and which are wall, by construction of ``plain_arch``."""
    normals = mesh.face_normals
    heights = mesh.corners[:, :, 2]
    return (heights == base_mm).all(axis=1), (np.abs(normals[:, 2]) < 1e-9) & (
        heights == base_mm
    ).any(axis=1)


@pytest.mark.parametrize("palate", [False, True])
def test_bottom_and_walls_are_base(palate: bool) -> None:
    mesh = plain_arch(base_mm=-30.0, palate=palate)
    bottom, walls = kinds(mesh, -30.0)
    found = recognise_base(mesh, LEVEL)
    assert found.floor_mm == pytest.approx(-30.0, abs=1e-9)
    assert np.array_equal(found.scanned, ~(bottom | walls))


def test_in_the_frame_found_for_it_and_turned() -> None:
    mesh = plain_arch(base_mm=-30.0)
    bottom, walls = kinds(mesh, -30.0)
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.linalg.det(turn)
    matrix[:3, 3] = [5.0, 60.0, -20.0]
    for body in (mesh, mesh.moved(matrix)):
        frame = find_frame(body).frame
        found = recognise_base(body, frame)
        assert np.array_equal(found.scanned, ~(bottom | walls))
        on_bottom = frame.points_to_cast(body.corners[bottom])[..., 2]
        assert found.floor_mm == pytest.approx(on_bottom.max(), abs=1e-9)


@pytest.mark.parametrize("tilt_deg", [3.0, 12.0])
def test_a_tilted_bottom_gives_its_highest_edge(tilt_deg: float) -> None:
    mesh = plain_arch(base_mm=-30.0)
    bottom, walls = kinds(mesh, -30.0)
    frame = frame_tilted(tilt_deg)
    found = recognise_base(mesh, frame)
    # closed form: heights along the tilted upright of the bottom's corners
    y = mesh.corners[bottom][..., 1]
    t = np.radians(tilt_deg)
    assert found.floor_mm == pytest.approx((-y * np.sin(t) - 30.0 * np.cos(t)).max(), abs=1e-9)
    assert np.array_equal(found.scanned, ~(bottom | walls))
    assert any("tilted by" in note for note in found.notes)


def test_a_bottom_beyond_twenty_degrees_is_none() -> None:
    mesh = plain_arch(base_mm=-30.0)
    frame = frame_tilted(25.0)
    found = recognise_base(mesh, frame)
    assert found.scanned.all()
    assert found.floor_mm == pytest.approx(frame.points_to_cast(mesh.vertices)[:, 2].min())
    assert any("no flat bottom" in note for note in found.notes)


def test_a_plain_cylinder_keeps_its_wall() -> None:
    body = cylinder()
    found = recognise_base(body, LEVEL)
    assert np.array_equal(found.scanned, ~(body.corners[:, :, 2] == 0.0).all(axis=1))
    assert found.floor_mm == pytest.approx(0.0, abs=1e-12)


def test_walls_are_base_only_where_more_than_two_mm_rise_over_them() -> None:
    for rise_mm, wall_is_base in ((1.9, False), (2.1, True)):
        body = cylinder()
        points = body.vertices.copy()
        points[-1, 2] += rise_mm  # a point on the lid
        found = recognise_base(Mesh(points, body.faces), LEVEL)
        walls = np.abs(body.face_normals[:, 2]) < 1e-9
        assert (not found.scanned[walls].any()) is wall_is_base
        assert found.scanned[walls].all() is not wall_is_base


def test_a_sphere_has_no_bottom() -> None:
    t = np.linspace(0.0, np.pi, 60)[1:-1]
    p = np.linspace(0.0, 2.0 * np.pi, 121)[:-1]
    around = 10.0 * np.stack(
        [np.outer(np.sin(t), np.cos(p)), np.outer(np.sin(t), np.sin(p)),
         np.repeat(np.cos(t)[:, None], len(p), axis=1)], axis=2
    ).reshape(-1, 3)  # fmt: skip
    i, j = np.meshgrid(np.arange(len(t) - 1), np.arange(len(p)), indexing="ij")
    a, b = len(p) * i + j, len(p) * i + (j + 1) % len(p)
    k = np.arange(len(p))
    n, last = len(around), len(p) * (len(t) - 1)
    faces = np.concatenate(
        [
            np.stack([a, a + len(p), b + len(p)], axis=2).reshape(-1, 3),
            np.stack([a, b + len(p), b], axis=2).reshape(-1, 3),
            np.stack([np.full(len(p), n), k, (k + 1) % len(p)], axis=1),
            np.stack([np.full(len(p), n + 1), last + (k + 1) % len(p), last + k], axis=1),
        ]
    )
    body = Mesh(np.concatenate([around, [[0.0, 0.0, 10.0], [0.0, 0.0, -10.0]]]), faces)
    assert body.volume_mm3 == pytest.approx(4.0 / 3.0 * np.pi * 1000.0, rel=0.01)
    found = recognise_base(body, LEVEL)
    assert found.scanned.all()
    assert found.floor_mm == pytest.approx(-10.0, abs=1e-9)


def test_stated_height_of_the_base() -> None:
    mesh = plain_arch(base_mm=-30.0)
    found = recognise_base(mesh, LEVEL, base_height_mm=18.0)
    below = (mesh.corners[:, :, 2] < -12.0).all(axis=1)
    assert np.array_equal(found.scanned, ~below)
    assert found.floor_mm == pytest.approx(-30.0, abs=1e-9)


@pytest.mark.parametrize("height_mm", [-1.0, np.nan, np.inf])
def test_a_height_that_is_none_names_its_option(height_mm: float) -> None:
    with pytest.raises(InputError, match="--base-height"):
        recognise_base(cylinder(), LEVEL, base_height_mm=height_mm)


def test_a_base_that_swallows_the_cast_is_refused() -> None:
    with pytest.raises(InputError, match="no scanned surface is left"):
        recognise_base(cylinder(), LEVEL, base_height_mm=100.0)


def test_noise_on_the_bottom_within_tolerance() -> None:
    mesh = plain_arch(base_mm=-30.0)
    bottom, _ = kinds(mesh, -30.0)
    points = mesh.vertices.copy()
    low = points[:, 2] == -30.0
    points[low, 2] += np.random.default_rng(2).uniform(-0.04, 0.04, int(low.sum()))
    found = recognise_base(Mesh(points, mesh.faces), LEVEL)
    assert found.floor_mm == pytest.approx(-30.0, abs=0.05)
    assert not found.scanned[bottom].any()
