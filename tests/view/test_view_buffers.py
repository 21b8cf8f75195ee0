"""Meshes, lines and levels as bytes, read back by numpy alone."""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
import pytest

from blockout.mesh import Floats, Mesh
from blockout.samples.bodies import sphere_on_plate
from blockout.web.view.buffers import (
    depth_bytes,
    deviation_bytes,
    lines_bytes,
    mesh_bytes,
)

FAR_MM = np.array([5000.0, -8000.0, 250.0])


@dataclass(frozen=True)
class Run:
    points_mm: Floats
    closed: bool


def test_a_mesh_comes_back() -> None:
    body = sphere_on_plate()
    mesh = Mesh(body.vertices + FAR_MM, body.faces)
    scanned = mesh.face_centres[:, 2] > FAR_MM[2] + 0.5
    packed = mesh_bytes(mesh, scanned=scanned)
    mark, version, vertices, faces, front, coarse, x, y, z, radius = struct.unpack_from(
        "<4s5I4d", packed
    )
    assert coarse == 0
    assert (mark, version, vertices, faces) == (b"BLKM", 1, len(mesh.vertices), len(mesh.faces))
    assert front == scanned.sum() > 0
    at = 64
    positions = np.frombuffer(packed, "<f4", 3 * vertices, at).reshape(-1, 3)
    # single precision of lengths up to 16 mm about the origin: half a step is 0.5 nm
    assert np.abs(positions + np.array([x, y, z]) - mesh.vertices).max() < 1e-6
    assert radius == pytest.approx(np.linalg.norm(positions, axis=1).max(), rel=1e-6)
    at += 12 * vertices
    shade = np.frombuffer(packed, "<i2", 4 * vertices, at).reshape(-1, 4) / 32767.0
    assert np.abs(shade[:, :3] - mesh.vertex_normals).max() <= 0.5 / 32767.0 + 1e-12
    assert np.abs(shade[:, 3]).max() <= 1.0
    at += 8 * vertices
    read = np.frombuffer(packed, "<u4", 3 * faces, at).reshape(-1, 3)
    assert len(packed) == at + 12 * faces
    assert (read == np.concatenate([mesh.faces[scanned], mesh.faces[~scanned]])).all()


def test_a_large_mesh_has_coarse_faces_between_its_own_vertices() -> None:
    body = sphere_on_plate(around=256)
    assert body.triangle_count > 60_000
    scanned = body.face_centres[:, 2] > 0.5
    packed = mesh_bytes(body, scanned=scanned)
    _, _, vertices, faces, _, coarse = struct.unpack_from("<4s5I", packed)
    (coarse_scanned,) = struct.unpack_from("<I", packed, 56)
    at = 64 + 20 * vertices + 12 * faces
    assert len(packed) == at + 12 * coarse
    read = np.frombuffer(packed, "<u4", 3 * coarse, at).reshape(-1, 3).astype(np.int64)
    assert 5_000 < coarse < 40_000
    assert read.max() < vertices
    rough = Mesh(body.vertices, read)
    # the same body but for chords of the cubes: surface and volume hardly change
    assert rough.face_areas_mm2.sum() == pytest.approx(body.face_areas_mm2.sum(), rel=0.01)
    assert rough.volume_mm3 == pytest.approx(body.volume_mm3, rel=0.01)
    assert (rough.face_centres[:coarse_scanned, 2] > 0.2).all()


def test_hollows_are_told_from_ridges() -> None:
    """A groove and a ridge of the same section, on a level sheet."""
    x, y = np.meshgrid(np.arange(0.0, 16.0, 0.2), np.arange(0.0, 6.0, 0.2), indexing="ij")
    z = np.exp(-(((x - 12.0) / 0.5) ** 2)) - np.exp(-(((x - 4.0) / 0.5) ** 2))
    i, j = np.meshgrid(np.arange(x.shape[0] - 1), np.arange(x.shape[1] - 1), indexing="ij")
    a = (i * x.shape[1] + j).ravel()
    b, c, d = a + x.shape[1], a + x.shape[1] + 1, a + 1
    faces = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    sheet = Mesh(np.stack([x.ravel(), y.ravel(), z.ravel()], axis=1), faces)
    packed = mesh_bytes(sheet, scanned=np.ones(len(faces), dtype=bool))
    count = len(sheet.vertices)
    hollow = np.frombuffer(packed, "<i2", 4 * count, 64 + 12 * count).reshape(*x.shape, 4)[..., 3]
    middle = x.shape[1] // 2
    assert hollow[20, middle] > 3000
    assert hollow[60, middle] < -3000
    assert abs(int(hollow[40, middle])) < 200
    unscanned = mesh_bytes(sheet)
    assert not np.frombuffer(unscanned, "<i2", 4 * count, 64 + 12 * count)[3::4].any()


def test_a_flag_is_due_for_each_face() -> None:
    with pytest.raises(ValueError, match="one flag a face"):
        mesh_bytes(sphere_on_plate(), scanned=np.ones(3, dtype=bool))


def test_an_empty_mesh_is_only_a_header() -> None:
    packed = mesh_bytes(Mesh(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)))
    assert len(packed) == 64
    assert struct.unpack_from("<3I", packed, 8) == (0, 0, 0)


def test_lines_come_back() -> None:
    one = Run(FAR_MM + np.array([[0.0, 0, 0], [1, 0, 0], [1, 2, 0]]), True)
    other = Run(FAR_MM + np.array([[5.0, 5, 5], [6, 6, 6]]), False)
    packed = lines_bytes([one, Run(np.zeros((0, 3)), False), other])
    mark, version, lines, points = struct.unpack_from("<4s3I", packed)
    assert (mark, version, lines, points) == (b"BLKL", 1, 2, 5)
    origin = np.array(struct.unpack_from("<3d", packed, 24))
    counts = np.frombuffer(packed, "<u4", lines, 64)
    assert counts.tolist() == [3 | 1 << 31, 2]
    read = np.frombuffer(packed, "<f4", 3 * points, 64 + 4 * lines).reshape(-1, 3) + origin
    assert np.abs(read - np.concatenate([one.points_mm, other.points_mm])).max() < 1e-6
    assert len(lines_bytes([])) == 64


def test_levels_keep_zero_apart() -> None:
    depth = np.array([0.0, 1e-9, 0.25, 0.5, 1.0, 7.0])
    assert list(depth_bytes(depth, full_mm=1.0)) == [0, 1, 64, 128, 255, 255]
    off = np.array([-9.0, -0.5, 0.0, 0.5, np.nan, 0.1])
    known = np.array([True, True, True, True, True, False])
    assert list(deviation_bytes(off, full_mm=0.5, known=known)) == [1, 1, 128, 255, 0, 0]
