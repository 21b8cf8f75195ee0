"""3MF and glTF: parts with names and places. What is written is read back by lib3mf and trimesh,
and what they write is read here.
"""

from __future__ import annotations

import io
import json
import struct
import zipfile
from pathlib import Path

import lib3mf
import numpy as np
import pytest
import trimesh
from any_mesh import BODY, FACES, RELAXED, VERTICES, meshes, same_bits
from hypothesis import given
from hypothesis import strategies as st

from blockout.kernel.files import NamedMesh, read_mesh_file, write_3mf, write_glb
from blockout.mesh import Mesh

# --- 3MF -----------------------------------------------------------------------------------------

PARTS = (
    NamedMesh("cast", BODY, "cast"),
    NamedMesh('wax <"parallel"> & ü', Mesh(VERTICES + 1.5, FACES), "parallel"),
)
METADATA = {"Application": "blockout 0.1.0", "path.direction": "0, -0.1, 1 <&>"}


def lib3mf_model(path: Path) -> tuple[object, object]:
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(path))
    assert reader.GetWarningCount() == 0
    return wrapper, model


def signed_volume(vertices: np.ndarray, faces: np.ndarray) -> float:
    corners = vertices[faces]
    return float(np.linalg.det(corners - corners.mean(axis=(0, 1))).sum() / 6.0)


def test_3mf_in_the_eyes_of_lib3mf(tmp_path: Path) -> None:
    write_3mf(tmp_path / "m.3mf", PARTS, metadata=METADATA)
    _, model = lib3mf_model(tmp_path / "m.3mf")
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    group = model.GetMetaDataGroup()
    held = [group.GetMetaData(k) for k in range(group.GetMetaDataCount())]
    assert {entry.GetName(): entry.GetValue() for entry in held} == {
        "Application": "blockout 0.1.0",
        "path.direction": "0, -0.1, 1 <&>",
    }
    assert held[1].GetNameSpace() == "urn:blockout:3mf:1"
    objects = model.GetMeshObjects()
    found = []
    while objects.MoveNext():
        entry = objects.GetCurrentMeshObject()
        kind = entry.GetMetaDataGroup().GetMetaDataByKey("urn:blockout:3mf:1", "kind").GetValue()
        vertices = np.array([tuple(v.Coordinates) for v in entry.GetVertices()])
        faces = np.array([tuple(t.Indices) for t in entry.GetTriangleIndices()])
        found.append((entry.GetName(), kind))
        part = PARTS[len(found) - 1]
        # lib3mf holds 32-bit coordinates
        assert np.array_equal(vertices, part.mesh.vertices.astype(np.float32))
        assert faces.tolist() == FACES.tolist()
        volume = signed_volume(vertices, faces)
        assert volume == pytest.approx(signed_volume(part.mesh.vertices, FACES), rel=1e-6)
    assert found == [(part.name, part.kind) for part in PARTS]
    items = model.GetBuildItems()
    count = 0
    while items.MoveNext():
        count += 1
        assert not items.GetCurrent().HasObjectTransform()
    assert count == 2


@RELAXED
@given(meshes())
def test_3mf_round_trip_is_exact_but_for_the_sign_of_zero(tmp_path: Path, mesh: Mesh) -> None:
    write_3mf(tmp_path / "m.3mf", [NamedMesh("a", mesh, "cast")], metadata={})
    read = read_mesh_file(tmp_path / "m.3mf")
    assert np.array_equal(read.vertices, mesh.vertices)
    assert read.faces.tolist() == mesh.faces.tolist()
    assert read.unit == "mm"


def test_3mf_parts_are_joined_in_order_and_said(tmp_path: Path) -> None:
    write_3mf(tmp_path / "m.3mf", PARTS, metadata=METADATA)
    read = read_mesh_file(tmp_path / "m.3mf")
    assert np.array_equal(read.vertices, np.concatenate([p.mesh.vertices for p in PARTS]))
    assert read.faces.tolist() == [*FACES.tolist(), *(FACES + 4).tolist()]
    assert read.notes == ("2 objects were joined side by side",)
    assert "blockout:path.direction: 0, -0.1, 1 <&>" in read.comments


def test_3mf_and_glb_are_the_same_bytes_every_time(tmp_path: Path) -> None:
    for name in ("one", "two"):
        write_3mf(tmp_path / f"{name}.3mf", PARTS, metadata=METADATA)
        write_glb(tmp_path / f"{name}.glb", PARTS, metadata=METADATA)
    assert (tmp_path / "one.3mf").read_bytes() == (tmp_path / "two.3mf").read_bytes()
    assert (tmp_path / "one.glb").read_bytes() == (tmp_path / "two.glb").read_bytes()


@pytest.mark.parametrize("write", [write_3mf, write_glb])
def test_parts_are_named_apart_and_not_empty(tmp_path: Path, write: object) -> None:
    empty = Mesh(np.zeros((0, 3)), np.zeros((0, 3)))
    for parts, words in (
        ((PARTS[0], PARTS[0]), "share a name"),
        ((NamedMesh("a", empty, "relief"),), "empty"),
    ):
        with pytest.raises(ValueError, match=words):
            write(tmp_path / "m", parts, metadata={})  # type: ignore[operator]
    assert list(tmp_path.iterdir()) == []


def test_3mf_metadata_name_must_be_one(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no name for 3MF metadata"):
        write_3mf(tmp_path / "m.3mf", PARTS, metadata={"two words": "x"})


def test_3mf_of_lib3mf_with_components_and_transforms(tmp_path: Path) -> None:
    """An object placed twice through a component, once mirrored, and once straight; inches."""
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    model.SetUnit(lib3mf.ModelUnit.Inch)
    single = VERTICES.astype(np.float32)
    body = model.AddMeshObject()
    body.SetName("body")
    for row in single.tolist():
        body.AddVertex(lib3mf.Position(tuple(row)))
    for row in FACES.tolist():
        body.AddTriangle(lib3mf.Triangle(tuple(row)))
    group = model.AddComponentsObject()
    identity = wrapper.GetIdentityTransform()
    shift = wrapper.GetTranslationTransform(10.0, 20.0, 30.0)
    mirror = wrapper.GetScaleTransform(-1.0, 1.0, 1.0)
    group.AddComponent(body, identity)
    group.AddComponent(body, mirror)
    model.AddBuildItem(group, shift)
    model.AddBuildItem(body, identity)
    model.QueryWriter("3mf").WriteToFile(str(tmp_path / "m.3mf"))
    read = read_mesh_file(tmp_path / "m.3mf")
    assert read.unit == "in"
    moved = np.array([10.0, 20.0, 30.0])
    expected = [single + moved, single * [-1, 1, 1] + moved, single]
    assert np.allclose(read.vertices, np.concatenate(expected), rtol=1e-6, atol=1e-5)
    assert read.faces.tolist() == [
        *FACES.tolist(), *(FACES[:, ::-1] + 4).tolist(), *(FACES + 8).tolist(),
    ]  # fmt: skip
    assert read.notes == ("3 objects were joined side by side",)


def small_3mf(model: str, *, name: str = "3D/3dmodel.model", **more: str) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        package.writestr(name, model)
        for path, text in more.items():
            package.writestr(path, text)
    return buffer.getvalue()


CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
MESH = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/>'
    '<vertex x="0" y="1" z="0"/></vertices>'
    '<triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh>'
)


@pytest.mark.parametrize(
    ("word", "unit", "factor"),
    [
        ("millimeter", "mm", 1.0), ("centimeter", "cm", 1.0), ("meter", "m", 1.0),
        ("inch", "in", 1.0), ("micron", "mm", 0.001), ("foot", "in", 12.0),
    ],
)  # fmt: skip
def test_3mf_units(tmp_path: Path, word: str, unit: str, factor: float) -> None:
    """The six units of the 3MF Core Specification; a foot is twelve inches."""
    (tmp_path / "m.3mf").write_bytes(
        small_3mf(
            f'<model unit="{word}" xmlns="{CORE}"><resources><object id="1">{MESH}</object>'
            '</resources><build><item objectid="1"/></build></model>'
        )
    )
    read = read_mesh_file(tmp_path / "m.3mf")
    assert read.unit == unit
    assert read.vertices[1].tolist() == [factor, 0.0, 0.0]
    assert bool(read.notes) == (factor != 1.0)


def test_3mf_without_a_unit_is_in_millimetres_and_supports_are_left_out(tmp_path: Path) -> None:
    (tmp_path / "m.3mf").write_bytes(
        small_3mf(
            f'<model xmlns="{CORE}"><resources>'
            f'<object id="1" type="support">{MESH}</object><object id="2">{MESH}</object>'
            '</resources><build><item objectid="1"/><item objectid="2"/></build></model>'
        )
    )
    read = read_mesh_file(tmp_path / "m.3mf")
    assert read.unit == "mm"
    assert len(read.faces) == 1
    assert read.notes == ("1 support objects were left out",)


def test_3mf_with_parts_in_other_models(tmp_path: Path) -> None:
    production = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
    root = (
        f'<model xmlns="{CORE}" xmlns:p="{production}" requiredextensions="p"><resources>'
        '<object id="1"><components><component objectid="7" p:path="/3D/part.model" '
        'transform="1 0 0 0 1 0 0 0 1 5 0 0"/></components></object></resources>'
        '<build><item objectid="1"/></build></model>'
    )
    part = f'<model xmlns="{CORE}"><resources><object id="7">{MESH}</object></resources></model>'
    (tmp_path / "m.3mf").write_bytes(small_3mf(root, **{"3D/part.model": part}))
    assert read_mesh_file(tmp_path / "m.3mf").vertices.tolist() == [[5, 0, 0], [6, 0, 0], [5, 1, 0]]


# --- GLB and glTF --------------------------------------------------------------------------------


def test_glb_is_in_metres_with_named_nodes(tmp_path: Path) -> None:
    """Layout by the glTF 2.0 specification: 12 bytes, then chunks; read here by hand."""
    write_glb(tmp_path / "m.glb", PARTS, metadata=METADATA)
    data = (tmp_path / "m.glb").read_bytes()
    magic, version, length = struct.unpack("<4sII", data[:12])
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size = struct.unpack("<I", data[12:16])[0]
    table = json.loads(data[20 : 20 + size])
    names = {node["name"] for node in table["nodes"] if "mesh" in node}
    assert names == {part.name for part in PARTS}
    assert table["scenes"][0]["extras"] == METADATA
    assert [mesh["extras"]["kind"] for mesh in table["meshes"]] == ["cast", "parallel"]
    position = table["meshes"][0]["primitives"][0]["attributes"]["POSITION"]
    assert np.allclose(table["accessors"][position]["max"], VERTICES.max(axis=0) / 1000.0)
    scene = trimesh.load_scene(tmp_path / "m.glb", process=False)
    for part in PARTS:
        expected = (part.mesh.vertices * 0.001).astype(np.float32)
        assert np.array_equal(scene.geometry[part.name].vertices, expected)


@RELAXED
@given(meshes(st.floats(-1e6, 1e6)))
def test_glb_round_trip_is_exact_in_32_bit(tmp_path: Path, mesh: Mesh) -> None:
    write_glb(tmp_path / "m.glb", [NamedMesh("a", mesh, "cast")], metadata={})
    read = read_mesh_file(tmp_path / "m.glb")
    assert np.array_equal(read.vertices, (mesh.vertices * 0.001).astype(np.float32))
    assert read.faces.tolist() == mesh.faces.tolist()
    assert read.unit is None


@pytest.mark.parametrize("kind", ["glb", "gltf"])
def test_gltf_nodes_place_and_mirror_their_meshes(tmp_path: Path, kind: str) -> None:
    turn = trimesh.transformations.rotation_matrix(0.3, [1, 2, 3], [4, 5, 6])
    mirror = np.diag([1.0, 1.0, -1.0, 1.0])
    scene = trimesh.Scene()
    body = trimesh.Trimesh(VERTICES, FACES, process=False)
    scene.add_geometry(body, node_name="a", geom_name="body")
    scene.add_geometry(body, node_name="b", geom_name="body", transform=turn)
    scene.add_geometry(body, node_name="c", geom_name="body", transform=mirror)
    path = tmp_path / f"m.{kind}"
    if kind == "glb":
        path.write_bytes(scene.export(file_type="glb"))
    else:
        files = trimesh.exchange.gltf.export_gltf(scene, merge_buffers=True, embed_buffers=True)
        path.write_bytes(files["model.gltf"])
    read = read_mesh_file(path)
    single = VERTICES.astype(np.float32).astype(np.float64)
    expected = [np.c_[single, np.ones(4)] @ matrix.T[:, :3] for matrix in (np.eye(4), turn, mirror)]
    assert same_bits(read.vertices[:4], single)
    assert np.allclose(read.vertices, np.concatenate(expected), rtol=1e-6, atol=1e-6)
    assert read.faces.tolist() == [
        *FACES.tolist(), *(FACES + 4).tolist(), *(FACES[:, ::-1] + 8).tolist(),
    ]  # fmt: skip
    assert read.notes == ("3 objects were joined side by side",)
