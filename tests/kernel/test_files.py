"""Mesh files that are as they should be: what is read is what stands in the file, to the bit, and
what is written is read back by other libraries (trimesh, plyfile).
"""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path

import numpy as np
import pytest
import trimesh
from any_mesh import BODY, FACES, RELAXED, SINGLE, VERTICES, meshes, same_bits
from hypothesis import given
from plyfile import PlyData, PlyElement

from blockout.kernel.files import (
    NamedMesh,
    read_mesh_file,
    write_3mf,
    write_glb,
    write_ply,
    write_stl,
)
from blockout.mesh import Mesh


def assert_exact(path: Path, mesh: Mesh) -> None:
    read = read_mesh_file(path)
    assert same_bits(read.vertices, mesh.vertices)
    assert same_bits(read.faces, mesh.faces)


# --- PLY -----------------------------------------------------------------------------------------


@RELAXED
@given(meshes())
def test_ply_round_trip_is_exact_to_the_bit(tmp_path: Path, mesh: Mesh) -> None:
    write_ply(tmp_path / "m.ply", mesh)
    assert_exact(tmp_path / "m.ply", mesh)


def test_ply_carries_comments_and_fields(tmp_path: Path) -> None:
    depth = np.array([0.25, np.nextafter(0.5, 1.0), 0.0, 1e-300])
    scanned = np.array([True, False, True, True])
    write_ply(
        tmp_path / "m.ply",
        BODY,
        comments=("made on a bench", "two\nlines and ü"),
        vertex_fields={"depth_mm": depth, "tooth": np.array([11, 12, 0, 48], dtype=np.uint8)},
        face_fields={"scanned": scanned, "share": np.float32([0, 0.5, 1, 0.25])},
    )
    read = read_mesh_file(tmp_path / "m.ply")
    assert read.unit == "mm"
    assert read.comments == ("blockout unit mm", "made on a bench", "two lines and ?")
    assert same_bits(read.vertex_fields["depth_mm"], depth)
    assert read.vertex_fields["tooth"].tolist() == [11, 12, 0, 48]
    assert read.face_fields["scanned"].dtype == np.uint8
    assert read.face_fields["scanned"].tolist() == [1, 0, 1, 1]
    assert read.face_fields["share"].dtype == np.float32
    # plyfile reads the same out of it without our reader
    other = PlyData.read(tmp_path / "m.ply")
    assert np.array_equal(other["vertex"]["depth_mm"], depth)
    assert other["vertex"]["x"].dtype == np.dtype("<f8")
    assert np.stack(other["face"]["vertex_indices"]).tolist() == FACES.tolist()


@pytest.mark.parametrize(
    "fields",
    [
        {"vertex_fields": {"depth": np.zeros(3)}},
        {"vertex_fields": {"x": np.zeros(4)}},
        {"vertex_fields": {"two words": np.zeros(4)}},
        {"vertex_fields": {"big": np.zeros(4, dtype=np.int64)}},
        {"face_fields": {"a": np.zeros(3)}},
    ],
)
def test_ply_refuses_fields_it_cannot_carry(tmp_path: Path, fields: dict) -> None:
    with pytest.raises(ValueError, match="field"):
        write_ply(tmp_path / "m.ply", BODY, **fields)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("text", [True, False])
@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("width", ["f4", "f8"])
@pytest.mark.parametrize("index", ["i4", "u1", "u2"])
def test_ply_of_every_layout_is_exact(
    tmp_path: Path, text: bool, order: str, width: str, index: str
) -> None:
    """Written by plyfile; the file holds 32-bit numbers where its header says float."""
    vertex = np.zeros(4, dtype=[("nx", "f4"), ("x", width), ("y", width), ("z", width)])
    for k, axis in enumerate("xyz"):
        vertex[axis] = VERTICES[:, k]
    face = np.zeros(4, dtype=[("vertex_index", index, (3,)), ("red", "u1")])
    face["vertex_index"], face["red"] = FACES, [1, 2, 3, 4]
    elements = [PlyElement.describe(vertex, "vertex"), PlyElement.describe(face, "face")]
    PlyData(elements, text=text, byte_order=order).write(tmp_path / "m.ply")
    read = read_mesh_file(tmp_path / "m.ply")
    assert same_bits(read.vertices, VERTICES.astype(width).astype(np.float64))
    assert same_bits(read.faces, FACES)
    assert read.face_fields["red"].tolist() == [1, 2, 3, 4]
    assert read.unit is None
    assert read.notes == ()
    assert read.format == ("PLY, text" if text else "PLY, binary")


@pytest.mark.parametrize("text", [True, False])
def test_ply_polygons_are_split_in_place(tmp_path: Path, text: bool) -> None:
    polygons = [[0, 1, 2], [0, 1, 2, 3], [3, 2], [4, 3, 2, 1, 0], [2, 1, 0]]
    vertex = np.zeros(5, dtype=[("x", "f4"), ("y", "f4"), ("z", "f4")])
    face = np.zeros(5, dtype=[("vertex_indices", object), ("tooth", "u1")])
    face["vertex_indices"] = [np.array(polygon, dtype="i4") for polygon in polygons]
    face["tooth"] = [1, 2, 3, 4, 5]
    elements = [PlyElement.describe(vertex, "vertex"), PlyElement.describe(face, "face")]
    PlyData(elements, text=text, byte_order="<").write(tmp_path / "m.ply")
    read = read_mesh_file(tmp_path / "m.ply")
    assert read.faces.tolist() == [
        [0, 1, 2], [0, 1, 2], [0, 2, 3], [4, 3, 2], [4, 2, 1], [4, 1, 0], [2, 1, 0],
    ]  # fmt: skip
    assert read.face_fields["tooth"].tolist() == [1, 2, 2, 4, 4, 4, 5]
    assert read.notes == (
        "2 polygons were split into triangles, fanned from their first corner",
        "1 faces with fewer than three corners were left out",
    )


def test_ply_of_quads_alone_is_split_and_said(tmp_path: Path) -> None:
    vertex = np.zeros(4, dtype=[("x", "f4"), ("y", "f4"), ("z", "f4")])
    face = np.zeros(2, dtype=[("vertex_indices", "i4", (4,))])
    face["vertex_indices"] = [[0, 1, 2, 3], [3, 2, 1, 0]]
    elements = [PlyElement.describe(vertex, "vertex"), PlyElement.describe(face, "face")]
    PlyData(elements, byte_order="<").write(tmp_path / "m.ply")
    read = read_mesh_file(tmp_path / "m.ply")
    assert read.faces.tolist() == [[0, 1, 2], [0, 2, 3], [3, 2, 1], [3, 1, 0]]
    assert read.notes == ("2 quads were split into triangles, fanned from their first corner",)


def test_ply_with_other_lists_and_elements_and_letters(tmp_path: Path) -> None:
    header = (
        "ply\r\nformat ascii 1.0\r\ncomment Größe, Ωmega\r\ncomment blockout unit cm\r\n"
        "element vertex 3\r\nproperty double x\r\nproperty double y\r\nproperty double z\r\n"
        "element face 1\r\nproperty list uchar int vertex_indices\r\n"
        "property list uchar float texcoord\r\nelement edge 1\r\nproperty int a\r\nend_header\r\n"
    )
    body = "0 0 0\r\n1 0 0\r\n0 1 0\r\n3 0 1 2 6 0 0 1 0 0 1\r\n7\r\n"
    (tmp_path / "m.ply").write_bytes((header + body).encode())
    read = read_mesh_file(tmp_path / "m.ply")
    assert read.comments == ("Größe, Ωmega", "blockout unit cm")
    assert read.unit == "cm"
    assert read.faces.tolist() == [[0, 1, 2]]


def test_ply_binary_with_other_letters_in_its_header(tmp_path: Path) -> None:
    write_ply(tmp_path / "m.ply", BODY, comments=("x" * 20,))
    data = (tmp_path / "m.ply").read_bytes().replace(b"x" * 20, "Zähne gross".encode().ljust(20))
    (tmp_path / "n.ply").write_bytes(data)
    assert_exact(tmp_path / "n.ply", BODY)
    assert "Zähne gross" in read_mesh_file(tmp_path / "n.ply").comments


# --- STL -----------------------------------------------------------------------------------------


def text_stl(mesh: Mesh, name: str = "cast") -> str:
    lines = [f"solid {name}"]
    for corners in mesh.corners.tolist():
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += ["      vertex " + " ".join(map(repr, corner)) for corner in corners]
        lines += ["    endloop", "  endfacet"]
    return "\n".join([*lines, f"endsolid {name}", ""])


@RELAXED
@given(meshes(SINGLE))
def test_stl_holds_32_bit_coordinates_to_the_bit(tmp_path: Path, mesh: Mesh) -> None:
    with np.errstate(over="ignore", invalid="ignore"):  # areas of faces 1e38 wide
        write_stl(tmp_path / "m.stl", mesh)
    read = read_mesh_file(tmp_path / "m.stl")
    assert same_bits(read.vertices, mesh.corners.reshape(-1, 3))
    assert read.faces.tolist() == np.arange(3 * mesh.triangle_count).reshape(-1, 3).tolist()


def test_stl_layout(tmp_path: Path) -> None:
    """80 free bytes, a count, 50 bytes a facet (the format's description), normals of length 1."""
    write_stl(tmp_path / "m.stl", BODY)
    data = (tmp_path / "m.stl").read_bytes()
    assert len(data) == 84 + 50 * 4
    assert not data.lower().startswith(b"solid")
    assert struct.unpack("<I", data[80:84]) == (4,)
    facet = np.array(struct.unpack("<12f", data[84:132]))
    a, b, c = facet[3:].reshape(3, 3)
    normal = np.cross(b - a, c - a)
    assert np.allclose(facet[:3], normal / np.linalg.norm(normal), atol=1e-6)
    assert read_mesh_file(tmp_path / "m.stl").unit == "mm"
    other = trimesh.load_mesh(tmp_path / "m.stl", process=False)
    assert np.array_equal(other.triangles, BODY.corners.astype(np.float32))


def test_stl_header_that_begins_with_solid_is_still_binary(tmp_path: Path) -> None:
    write_stl(tmp_path / "m.stl", BODY)
    data = (
        b"solid made by a scanner; facet vertex".ljust(80) + (tmp_path / "m.stl").read_bytes()[80:]
    )
    (tmp_path / "m.stl").write_bytes(data)
    read = read_mesh_file(tmp_path / "m.stl")
    assert read.format == "STL, binary"
    assert same_bits(read.vertices, BODY.corners.reshape(-1, 3).astype("f4").astype("f8"))


def test_stl_with_bytes_after_the_last_triangle_says_so(tmp_path: Path) -> None:
    write_stl(tmp_path / "m.stl", BODY)
    (tmp_path / "m.stl").write_bytes((tmp_path / "m.stl").read_bytes() + b"\0" * 7)
    read = read_mesh_file(tmp_path / "m.stl")
    assert read.notes == ("7 bytes after the last triangle were not read",)
    assert len(read.faces) == 4


@RELAXED
@given(meshes())
def test_text_stl_is_exact_to_the_bit(tmp_path: Path, mesh: Mesh) -> None:
    (tmp_path / "m.stl").write_text(text_stl(mesh))
    assert same_bits(read_mesh_file(tmp_path / "m.stl").vertices, mesh.corners.reshape(-1, 3))


@pytest.mark.parametrize(
    "change",
    [
        pytest.param(str.upper, id="upper case"),
        pytest.param(lambda text: text.replace("\n", "\r\n"), id="windows"),
        pytest.param(lambda text: text.replace("\n", "\r"), id="old mac"),
        pytest.param(lambda text: "\ufeff" + text, id="byte order mark"),
        pytest.param(lambda text: text.replace("    ", "\t"), id="tabs"),
        pytest.param(lambda text: text.replace("cast", "my vertex endfacet solid"), id="name"),
        pytest.param(lambda text: text.replace(" cast", ""), id="no name"),
        pytest.param(lambda text: text.rstrip(), id="no last line break"),
    ],
)
def test_text_stl_as_programs_write_it(tmp_path: Path, change: object) -> None:
    (tmp_path / "m.stl").write_bytes(change(text_stl(BODY)).encode())  # type: ignore[operator]
    read = read_mesh_file(tmp_path / "m.stl")
    assert read.format == "STL, text"
    assert same_bits(read.vertices, BODY.corners.reshape(-1, 3))


def test_text_stl_of_two_solids_is_joined_and_said(tmp_path: Path) -> None:
    (tmp_path / "m.stl").write_text(text_stl(BODY, "one") + text_stl(BODY, "two"))
    read = read_mesh_file(tmp_path / "m.stl")
    assert same_bits(read.vertices, np.concatenate([BODY.corners.reshape(-1, 3)] * 2))
    assert read.notes == ("2 solids were joined side by side",)


def test_text_stl_of_trimesh(tmp_path: Path) -> None:
    body = trimesh.Trimesh(VERTICES, FACES, process=False)
    body.export(tmp_path / "m.stl", file_type="stl_ascii")
    read = read_mesh_file(tmp_path / "m.stl")
    assert np.allclose(read.vertices.reshape(-1, 3, 3), BODY.corners, rtol=1e-6, atol=1e-7)


# --- OBJ and OFF ---------------------------------------------------------------------------------


def text_obj(mesh: Mesh) -> str:
    vertices = "".join("v " + " ".join(map(repr, row)) + "\n" for row in mesh.vertices.tolist())
    return vertices + "".join(f"f {a} {b} {c}\n" for a, b, c in (mesh.faces + 1).tolist())


def text_off(mesh: Mesh) -> str:
    head = f"OFF\n{len(mesh.vertices)} {mesh.triangle_count} 0\n"
    vertices = "".join(" ".join(map(repr, row)) + "\n" for row in mesh.vertices.tolist())
    return head + vertices + "".join(f"3 {a} {b} {c}\n" for a, b, c in mesh.faces.tolist())


@RELAXED
@given(meshes())
def test_obj_and_off_are_exact_to_the_bit(tmp_path: Path, mesh: Mesh) -> None:
    (tmp_path / "m.obj").write_text(text_obj(mesh))
    assert_exact(tmp_path / "m.obj", mesh)
    (tmp_path / "m.off").write_text(text_off(mesh))
    assert_exact(tmp_path / "m.off", mesh)


def test_obj_keeps_order_across_materials_seams_and_groups(tmp_path: Path) -> None:
    """What general readers regroup: materials in turn, texture seams, one vertex without a face,
    polygons among triangles, numbers that count back, a line that goes on.
    """
    (tmp_path / "m.obj").write_text(
        "# blockout unit in\nmtllib none.mtl\no one\n"
        "v 0 0 0 0.5 0.5 0.5\nv 1 0 0 1 0 0\nv 1 1 0\nv 9 9 9\nvt 0 0\nvt 1 1\nvn 0 0 1\n"
        "usemtl a\nf 1/1/1 2/2/1 3/1/1\nusemtl b\nf 3//1 2//1 1//1\nusemtl a\nf 1/2 3/2 2/1\n"
        "g two\nv 0 1 0\nf 1 2 3 5\nf -1 -2 -3\nv 5 5 5\nf -1 \\\n 1 2 # a comment\nl 1 2\n"
    )
    read = read_mesh_file(tmp_path / "m.obj")
    assert read.vertices.tolist() == [
        [0, 0, 0], [1, 0, 0], [1, 1, 0], [9, 9, 9], [0, 1, 0], [5, 5, 5],
    ]  # fmt: skip
    assert read.faces.tolist() == [
        [0, 1, 2], [2, 1, 0], [0, 2, 1], [0, 1, 2], [0, 2, 4], [4, 3, 2], [5, 0, 1],
    ]  # fmt: skip
    assert read.unit == "in"
    assert read.notes == (
        "1 quads were split into triangles, fanned from their first corner",
        "2 objects or groups were joined side by side",
        "1 lines, points or curved surfaces were left out",
    )


def test_obj_without_a_last_line_break_says_that_its_end_may_be_missing(tmp_path: Path) -> None:
    (tmp_path / "m.obj").write_text(text_obj(BODY).rstrip())
    assert read_mesh_file(tmp_path / "m.obj").notes == (
        "the file does not end with a line break; its end may be missing",
    )


def test_obj_and_off_of_trimesh(tmp_path: Path) -> None:
    body = trimesh.creation.icosphere(subdivisions=2)
    for suffix in ("obj", "off"):
        body.export(tmp_path / f"m.{suffix}")
        read = read_mesh_file(tmp_path / f"m.{suffix}")
        assert np.allclose(read.vertices, body.vertices, atol=1e-7)
        assert read.faces.tolist() == body.faces.tolist()


@pytest.mark.parametrize(
    "head", ["OFF\n3 1 0\n", "OFF 3 1 3\n", "# made by hand\nOFF # so it says\n\n3 1\n"]
)
def test_off_as_programs_write_it(tmp_path: Path, head: str) -> None:
    (tmp_path / "m.off").write_text(head + "0 0 0\n\n1 0 0 # one\n0 1 0\n3 0 1 2 255 0 0\n")
    read = read_mesh_file(tmp_path / "m.off")
    assert read.vertices.tolist() == [[0, 0, 0], [1, 0, 0], [0, 1, 0]]
    assert read.faces.tolist() == [[0, 1, 2]]


def test_off_with_colours_normals_and_polygons(tmp_path: Path) -> None:
    rows = "".join(f"{x} {y} 0 0 0 1 9 9 9 9\n" for x, y in ((0, 0), (1, 0), (1, 1), (0, 1)))
    faces = "3 0 1 2\n4 0 1 2 3 0.5 0.5 0.5\n3 2 1 0\n"
    (tmp_path / "m.off").write_text("CNOFF\n4 3 0\n" + rows + faces)
    read = read_mesh_file(tmp_path / "m.off")
    assert read.vertices[:, :2].tolist() == [[0, 0], [1, 0], [1, 1], [0, 1]]
    assert read.faces.tolist() == [[0, 1, 2], [0, 1, 2], [0, 2, 3], [2, 1, 0]]


# --- the door ------------------------------------------------------------------------------------


def test_name_hash_and_frozen_arrays(tmp_path: Path) -> None:
    write_ply(tmp_path / "my scan.ply", BODY)
    read = read_mesh_file(tmp_path / "my scan.ply")
    assert read.name == "my scan.ply"
    assert read.sha256 == hashlib.sha256((tmp_path / "my scan.ply").read_bytes()).hexdigest()
    with pytest.raises(ValueError, match="read-only"):
        read.vertices[0, 0] = 1.0
    with pytest.raises(ValueError, match="read-only"):
        read.faces[0, 0] = 1
    (tmp_path / "my scan.ply").unlink()  # nothing holds the file open
    assert np.isfinite(read.vertices).all()


def everything(folder: Path) -> dict[str, Path]:
    """One good file of each kind."""
    made = {kind: folder / f"m.{kind}" for kind in ("ply", "stl", "obj", "off", "3mf", "glb")}
    write_ply(made["ply"], BODY)
    write_stl(made["stl"], BODY)
    made["obj"].write_text(text_obj(BODY))
    made["off"].write_text(text_off(BODY))
    write_3mf(made["3mf"], [NamedMesh("a", BODY, "cast")], metadata={})
    write_glb(made["glb"], [NamedMesh("a", BODY, "cast")], metadata={})
    made["text stl"] = folder / "text.stl"
    made["text stl"].write_text(text_stl(BODY))
    made["text ply"] = folder / "text.ply"
    face = np.zeros(4, dtype=[("vertex_indices", "i4", (3,))])
    face["vertex_indices"] = FACES
    vertex = np.array(
        [tuple(row) for row in VERTICES.tolist()], dtype=[("x", "f8"), ("y", "f8"), ("z", "f8")]
    )
    elements = [PlyElement.describe(vertex, "vertex"), PlyElement.describe(face, "face")]
    PlyData(elements, text=True).write(made["text ply"])
    made["gltf"] = folder / "m.gltf"
    scene = trimesh.Scene(trimesh.Trimesh(VERTICES, FACES, process=False))
    files = trimesh.exchange.gltf.export_gltf(scene, merge_buffers=True, embed_buffers=True)
    made["gltf"].write_bytes(files["model.gltf"])
    return made


def test_the_content_decides_and_a_suffix_that_lies_is_said(tmp_path: Path) -> None:
    for kind, path in everything(tmp_path).items():
        honest = read_mesh_file(path)
        for suffix in (".stl", ".ply", ".obj", ".off", ".3mf", ".glb", ".dat", ""):
            other = tmp_path / f"other{suffix}"
            other.write_bytes(path.read_bytes())
            read = read_mesh_file(other)
            assert same_bits(read.vertices, honest.vertices), (kind, suffix)
            assert read.format == honest.format
            lies = suffix in (".stl", ".ply", ".obj", ".off", ".3mf", ".glb") and (
                suffix != path.suffix and {suffix, path.suffix} != {".glb", ".gltf"}
            )
            said = (f"the name ends in {suffix}, but the file holds {read.format}",) if lies else ()
            assert read.notes == said + honest.notes
