"""Files that are not the mesh they claim to be: refused with words, and with nothing else."""

from __future__ import annotations

import io
import json
import os
import socket
import struct
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest
import trimesh
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from plyfile import PlyData, PlyElement

from blockout.errors import ReadError
from blockout.kernel.files import (
    NamedMesh,
    read_mesh_file,
    write_3mf,
    write_glb,
    write_ply,
    write_stl,
)
from blockout.mesh import Mesh

VERTICES = np.array([[0.5, 0.25, 0.125], [30.0, 0.5, 1.0], [7.0, 40.0, 3.0], [10.0, 10.0, 20.0]])
FACES = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]])
BODY = Mesh(VERTICES, FACES)
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"


def text_of(kind: str, vertices: list, faces: list) -> str:
    """A text file of one kind, written here by the formats' own descriptions."""
    rows = [" ".join(str(x) for x in row) for row in vertices]
    if kind == "obj":
        lines = [f"v {row}" for row in rows]
        lines += ["f " + " ".join(str(i + 1) for i in face) for face in faces]
    elif kind == "off":
        lines = ["OFF", f"{len(rows)} {len(faces)} 0", *rows]
        lines += [f"{len(face)} " + " ".join(map(str, face)) for face in faces]
    elif kind == "ply":
        lines = ["ply", "format ascii 1.0", f"element vertex {len(rows)}"]
        lines += [f"property double {axis}" for axis in "xyz"]
        lines += [f"element face {len(faces)}", "property list uchar int vertex_indices"]
        lines += ["end_header", *rows]
        lines += [f"{len(face)} " + " ".join(map(str, face)) for face in faces]
    else:
        lines = ["solid a"]
        for face in faces:
            corners = [f"vertex {rows[i]}" for i in face]
            lines += ["facet normal 0 0 1", "outer loop", *corners, "endloop", "endfacet"]
        lines += ["endsolid a"]
    return "\n".join(lines) + "\n"


def good_files() -> dict[str, bytes]:
    """One good file of each kind, by suffix; the text ones under a longer name."""
    import tempfile

    found = {}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        part = [NamedMesh("a", BODY, "cast")]
        write_ply(folder / "m.ply", BODY)
        write_stl(folder / "m.stl", BODY)
        write_3mf(folder / "m.3mf", part, metadata={})
        write_glb(folder / "m.glb", part, metadata={})
        for path in folder.iterdir():
            found[path.suffix[1:]] = path.read_bytes()
        vertex = np.array(
            [tuple(row) for row in VERTICES.tolist()], dtype=[(axis, "f4") for axis in "xyz"]
        )
        face = np.zeros(4, dtype=[("vertex_indices", object), ("tooth", "u2")])
        face["vertex_indices"] = [
            np.array(row, "i4") for row in [[0, 1, 2, 3], *FACES[1:].tolist()]
        ]
        elements = [PlyElement.describe(vertex, "vertex"), PlyElement.describe(face, "face")]
        PlyData(elements, byte_order=">").write(folder / "mixed.ply")
        found["mixed.ply"] = (folder / "mixed.ply").read_bytes()
    for kind in ("obj", "off", "ply", "stl"):
        text = text_of(kind, VERTICES.tolist(), FACES.tolist())
        found[f"text.{kind}"] = text.encode()
    scene = trimesh.Scene(trimesh.Trimesh(VERTICES, FACES, process=False))
    files = trimesh.exchange.gltf.export_gltf(scene, merge_buffers=True, embed_buffers=True)
    found["gltf"] = files["model.gltf"]
    return found


GOOD = good_files()
KINDS = sorted(GOOD)


def refused(path: Path, data: bytes, *words: str) -> ReadError:
    path.write_bytes(data)
    with pytest.raises(ReadError) as caught:
        read_mesh_file(path)
    for word in words:
        assert word in str(caught.value)
    assert path.name in (caught.value.where or "")
    return caught.value


def test_the_good_files_are_good(tmp_path: Path) -> None:
    for kind, data in GOOD.items():
        path = tmp_path / f"m.{kind}"
        path.write_bytes(data)
        assert np.allclose(read_mesh_file(path).vertices.max(), [40.0, 0.04][kind == "glb"])


# --- places that hold no file --------------------------------------------------------------------


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="there is no such file") as caught:
        read_mesh_file(tmp_path / "scan.stl")
    assert caught.value.where == str(tmp_path / "scan.stl")
    assert isinstance(caught.value.__cause__, FileNotFoundError)


def test_a_folder(tmp_path: Path) -> None:
    with pytest.raises(ReadError, match="this is a folder"):
        read_mesh_file(tmp_path)
    with pytest.raises(ReadError):
        read_mesh_file(tmp_path / "a\0b.stl")
    (tmp_path / "file").write_text("x")
    with pytest.raises(ReadError, match="cannot be read"):
        read_mesh_file(tmp_path / "file" / "scan.stl")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names on this system")
def test_a_pipe_or_socket_is_refused_without_waiting(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.stl")
    with pytest.raises(ReadError, match="not a file on a disk"):
        read_mesh_file(tmp_path / "pipe.stl")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(os.path.relpath(tmp_path / "s"))
        with pytest.raises(ReadError, match="not a file on a disk"):
            read_mesh_file(tmp_path / "s")


@pytest.mark.skipif(not hasattr(os, "seteuid"), reason="no users to change on this system")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    path = tmp_path / "scan.stl"
    path.write_bytes(GOOD["stl"])
    path.chmod(0)
    was = os.geteuid()
    if was == 0:
        os.seteuid(65534)  # the super-user may read everything
    try:
        with pytest.raises(ReadError, match="may not be read") as caught:
            read_mesh_file(path)
    finally:
        os.seteuid(was)
    assert isinstance(caught.value.__cause__, PermissionError)


# --- whole files that are no mesh ----------------------------------------------------------------

FOREIGN = (
    b"\n", b" \0", b"Dear colleague,\nplease find the scan.\n" * 40, b"\x89PNG\r\n\1\0",
    bytes(range(256)) * 9, "Zähne\n".encode("utf-16"), b"{}", b"[1]", b"solid", b"v 1",
    b"PK\x03\x04", b"ply\n", b"glTF", b"OFF", b"OFF\n", b"solid a\nendsolid a\n",
)  # fmt: skip
SUFFIXES = ("stl", "ply", "obj", "off", "3mf", "glb", "gltf", "dat")


@pytest.mark.parametrize("suffix", SUFFIXES)
def test_empty_and_foreign_files(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"scan.{suffix}"
    refused(path, b"", "the file is empty")
    for data in FOREIGN:
        error = refused(path, data)
        assert error.fix or error.measured


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=200), st.sampled_from(SUFFIXES))
def test_random_bytes_are_refused(tmp_path: Path, data: bytes, suffix: str) -> None:
    path = tmp_path / f"scan.{suffix}"
    path.write_bytes(data)
    with pytest.raises(ReadError):
        read_mesh_file(path)


@pytest.mark.long
@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_damaged_files_are_read_or_refused_and_nothing_else(
    tmp_path: Path, data: st.DataObject
) -> None:
    kind = data.draw(st.sampled_from(KINDS))
    damaged = bytearray(GOOD[kind])
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(damaged) - 1))
        some = data.draw(st.binary(min_size=0, max_size=4))
        damaged[at : at + data.draw(st.integers(0, 4))] = some
    path = tmp_path / f"m.{kind}"
    path.write_bytes(bytes(damaged))
    try:
        read = read_mesh_file(path)
    except ReadError:
        return
    Mesh(read.vertices, read.faces)  # fit for a mesh: finite, and every face's vertices there
    assert len(read.faces)


# --- cut-off files -------------------------------------------------------------------------------


@pytest.mark.long
@pytest.mark.parametrize("kind", ["stl", "ply", "mixed.ply", "glb", "3mf", "gltf", "text.stl"])
def test_every_cut_of_a_file_that_knows_its_end_is_refused(tmp_path: Path, kind: str) -> None:
    whole = GOOD[kind].rstrip() if kind in ("gltf", "text.stl") else GOOD[kind]
    cuts = range(len(whole)) if len(whole) < 800 else range(0, len(whole), 3)
    ends = "endsolid"
    for cut in cuts:
        if kind == "text.stl" and whole[:cut].endswith((b"endsolid", b"endsolid ")):
            continue  # only the name is missing then
        refused(tmp_path / f"m.{kind}", whole[:cut])
    if kind == "text.stl":
        assert "cut off" in str(refused(tmp_path / "m.stl", whole[: whole.index(ends.encode())]))


@pytest.mark.parametrize("kind", ["text.off", "text.ply"])
def test_missing_lines_are_counted(tmp_path: Path, kind: str) -> None:
    lines = GOOD[kind].splitlines(keepends=True)
    for count in range(1, len(lines)):
        refused(tmp_path / f"m.{kind}", b"".join(lines[:count]))
    assert "3 of 4 face" in str(refused(tmp_path / f"m.{kind}", b"".join(lines[:-1])))


def test_binary_stl_with_fewer_bytes_than_its_count(tmp_path: Path) -> None:
    refused(tmp_path / "m.stl", GOOD["stl"][:-1], "cut off", "283 bytes, 284 needed", "3 whole")
    refused(tmp_path / "m.stl", b"solid x".ljust(80) + GOOD["stl"][80:-60], "cut off")


def test_cut_off_words(tmp_path: Path) -> None:
    for kind in ("ply", "glb", "3mf", "text.stl"):
        half = GOOD[kind][: len(GOOD[kind]) * 3 // 4]
        error = refused(tmp_path / f"m.{kind}", half, "cut off")
        assert error.fix == "The file is damaged or was not copied whole; export or copy it again."


def test_obj_faces_that_name_vertices_which_are_not_there(tmp_path: Path) -> None:
    refused(
        tmp_path / "m.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf 1 2 3\nf 2 3 4\n",
        "vertices that are not there", "1 of 2 triangles", "3 vertices", "triangle 2",
    )  # fmt: skip
    for face in (
        b"f 0 1 2",
        b"f -1 -2 -4",
        b"f 1 2 99999999999999999999",
        b"f 1 2 x",
        b"f 1.5 2 3",
    ):
        refused(tmp_path / "m.obj", b"v 0 0 0\nv 1 0 0\nv 0 1 0\n" + face + b"\n")


@pytest.mark.parametrize("kind", ["off", "ply"])
def test_other_faces_that_name_vertices_which_are_not_there(tmp_path: Path, kind: str) -> None:
    for wrong in (4, -1):
        text = text_of(kind, VERTICES.tolist(), [*FACES.tolist(), [0, 1, wrong]])
        refused(tmp_path / f"m.{kind}", text.encode(), "1 of 5 triangles", "4 vertices")


# --- numbers -------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["obj", "off", "ply", "stl"])
@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e999"])
def test_coordinates_that_are_not_finite(tmp_path: Path, kind: str, word: str) -> None:
    vertices = [list(map(str, row)) for row in VERTICES.tolist()]
    vertices[2][1] = word
    text = text_of(kind, vertices, [[0, 1, 3], [0, 1, 2]])
    number, total = ("6", "6") if kind == "stl" else ("3", "4")
    refused(
        tmp_path / f"m.{kind}", text.encode(),
        "not finite numbers", f"1 of {total} vertices", f"vertex {number} of the file",
    )  # fmt: skip


def test_binary_coordinates_that_are_not_finite(tmp_path: Path) -> None:
    data = bytearray(GOOD["stl"])
    data[84 + 12 : 84 + 16] = struct.pack("<f", np.nan)
    data[84 + 62 : 84 + 66] = struct.pack("<f", np.inf)
    refused(tmp_path / "m.stl", bytes(data), "2 of 12 vertices", "vertex 1 of the file, (nan")
    whole = GOOD["ply"]
    at = whole.index(b"end_header\n") + 11 + 8
    data = whole[:at] + struct.pack("<d", -np.inf) + whole[at + 8 :]
    refused(tmp_path / "m.ply", data, "1 of 4 vertices", "vertex 1 of the file, (0.5, -inf")


@pytest.mark.parametrize("kind", ["obj", "off", "ply", "stl"])
@pytest.mark.parametrize("word", ["1,5", "x", "1.#QNAN", "--1"])
def test_words_that_are_not_numbers(tmp_path: Path, kind: str, word: str) -> None:
    vertices = [list(map(str, row)) for row in VERTICES.tolist()]
    vertices[2][1] = word
    error = refused(tmp_path / f"m.{kind}", text_of(kind, vertices, FACES.tolist()).encode())
    if kind != "ply":
        assert repr(word).lower() in str(error).lower()


@pytest.mark.parametrize("kind", ["obj", "off", "ply"])
def test_zero_triangles(tmp_path: Path, kind: str) -> None:
    text = text_of(kind, VERTICES.tolist(), [])
    refused(tmp_path / f"m.{kind}", text.encode(), "no triangles", "4 points and 0 triangles")


def test_zero_triangles_elsewhere(tmp_path: Path) -> None:
    refused(tmp_path / "m.stl", bytes(84))
    empty = (
        f'<model xmlns="{CORE}"><resources><object id="1"><mesh/></object></resources><build>'
        '<item objectid="1"/></build></model>'
    )
    refused(tmp_path / "m.3mf", small_3mf(empty), "no triangles")
    refused(tmp_path / "m.gltf", b'{"asset": {"version": "2.0"}, "scenes": [{}]}')
    ply = text_of("ply", VERTICES.tolist(), []).replace("face", "edge")
    refused(tmp_path / "m.ply", ply.encode(), "no element 'face'")


@pytest.mark.parametrize("kind", ["obj", "off", "ply", "stl"])
def test_one_triangle_is_a_mesh(tmp_path: Path, kind: str) -> None:
    (tmp_path / f"m.{kind}").write_text(text_of(kind, VERTICES.tolist(), [[0, 1, 2]]))
    assert read_mesh_file(tmp_path / f"m.{kind}").faces.tolist() == [[0, 1, 2]]


# --- PLY -----------------------------------------------------------------------------------------


def test_ply_that_promises_more_than_memory_holds_is_refused_at_once(tmp_path: Path) -> None:
    whole = GOOD["ply"].replace(b"element vertex 4", b"element vertex 99999999999999")
    started = time.perf_counter()
    refused(tmp_path / "m.ply", whole, "100000000000003 elements promised")
    assert time.perf_counter() - started < 10.0


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (b"property double y\n", b"property double w\n", "no property y"),
        (b"vertex_indices", b"corners_joined", "do not say which vertices"),
        (b"property list uchar int", b"property list uchar float", "not whole numbers"),
        (b"format ascii", b"format braille", "cannot be read as PLY"),
        (b"\n3 ", b"\n4 ", "breaks its own layout"),
        (b"property double z\n", b"property double x\n", "cannot be read as PLY"),
    ],
)
def test_ply_headers(tmp_path: Path, old: bytes, new: bytes, words: str) -> None:
    assert old in GOOD["text.ply"]
    refused(tmp_path / "m.ply", GOOD["text.ply"].replace(old, new), words)


# --- OFF and STL ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    ["OFF BINARY\n3 1 0\n", "4OFF\n3 1 0\n", "OFF\nx y\n", "OFF\n-3 1 0\n", "OFF\n3\n",
     "OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n4 0 1 2\n", "OFF\n3 1 0\n0 0 0\n1 0\n0 1 0\n3 0 1 2\n",
     "OFF\n3 1 0\n0 0 0\n1 0 0\n0 1 0\n-3 0 1 2\n"],
)  # fmt: skip
def test_off_that_is_not_off(tmp_path: Path, text: str) -> None:
    refused(tmp_path / "m.off", text.encode(), "OFF")


def test_text_stl_with_a_facet_of_four_or_two_corners(tmp_path: Path) -> None:
    lines = text_of("stl", VERTICES.tolist(), FACES.tolist()).splitlines(keepends=True)
    at = [k for k, line in enumerate(lines) if line.startswith("vertex")][3]
    four = "".join([*lines[:at], lines[at], *lines[at:]])
    refused(tmp_path / "m.stl", four.encode(), "4 corners", "facet 2")
    two = "".join(lines[:at] + lines[at + 1 :])
    refused(tmp_path / "m.stl", two.encode(), "2 corners", "facet 2")


# --- 3MF -----------------------------------------------------------------------------------------


def small_3mf(model: str, *, method: int = zipfile.ZIP_DEFLATED) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", method) as package:
        package.writestr("3D/3dmodel.model", model)
    return buffer.getvalue()


MESH = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/>'
    '<vertex x="0" y="1" z="0"/></vertices>'
    '<triangles><triangle v1="0" v2="1" v3="2"/></triangles></mesh>'
)


def model_3mf(resources: str, items: str = '<item objectid="1"/>', more: str = "") -> str:
    return (
        f'<model xmlns="{CORE}"{more}><resources>{resources}</resources>'
        f"<build>{items}</build></model>"
    )


def test_3mf_that_unpacks_without_end_is_refused_before_it_is_unpacked(tmp_path: Path) -> None:
    bomb = small_3mf(" " * (64 << 20))
    assert len(bomb) < 100_000
    refused(tmp_path / "m.3mf", bomb, "unpacks to more than a mesh does", "67108864 bytes")


def test_3mf_with_entities_of_its_own(tmp_path: Path) -> None:
    laughs = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10}">' for k in range(1, 10))
    doctype = f'<!DOCTYPE model [<!ENTITY a0 "ha">{laughs}]>'
    refused(tmp_path / "m.3mf", small_3mf(doctype + model_3mf("&a9;")), "entities")
    outside = '<!DOCTYPE model [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    refused(tmp_path / "m.3mf", small_3mf(outside + model_3mf("&e;")), "entities")
    utf16 = (doctype + model_3mf("&a9;")).encode("utf-16")
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        package.writestr("3D/3dmodel.model", utf16)
    refused(tmp_path / "m.3mf", buffer.getvalue(), "entities")


def test_3mf_that_repeats_its_parts_without_end(tmp_path: Path) -> None:
    """Forty levels of two: a million million parts out of four kilobytes."""
    levels = [f'<object id="0">{MESH}</object>']
    levels += [
        f'<object id="{k}"><components><component objectid="{k - 1}"/>'
        f'<component objectid="{k - 1}"/></components></object>'
        for k in range(1, 41)
    ]
    started = time.perf_counter()
    data = small_3mf(model_3mf("".join(levels), '<item objectid="40"/>'))
    refused(tmp_path / "m.3mf", data, "nests its parts without end")
    ring = (
        '<object id="1"><components><component objectid="2"/></components></object>'
        '<object id="2"><components><component objectid="1"/></components></object>'
    )
    refused(tmp_path / "m.3mf", small_3mf(model_3mf(ring)), "nests its parts without end")
    assert time.perf_counter() - started < 30.0


@pytest.mark.parametrize(
    ("model", "words"),
    [
        (model_3mf("", ""), "no triangles"),
        (model_3mf(""), "object '1', which is not there"),
        (
            model_3mf(f'<object id="1">{MESH}</object>', more=' unit="cubit"'),
            "unknown unit 'cubit'",
        ),
        (model_3mf(f'<object id="1">{MESH}</object>').replace('v2="1"', 'v2="3"'), "not there"),
        (model_3mf(f'<object id="1">{MESH}</object>').replace('v2="1"', ""), "attribute 'v2'"),
        (
            model_3mf(f'<object id="1">{MESH}</object>').replace('x="1"', 'x="one"'),
            "not in numbers",
        ),
        (model_3mf(f'<object id="1">{MESH}</object>').replace('x="1"', 'x="nan"'), "not finite"),
        (model_3mf(f'<object id="1">{MESH}</object>').replace("</build>", ""), "not well-formed"),
        (
            model_3mf(f'<object id="1">{MESH}</object>', '<item objectid="1" transform="1 0"/>'),
            "not twelve numbers",
        ),
        (
            model_3mf(
                f'<object id="1">{MESH}</object>',
                more=' xmlns:b="urn:beams" requiredextensions="b"',
            ),
            "requires an extension that is not read; urn:beams",
        ),
    ],
)
def test_3mf_models(tmp_path: Path, model: str, words: str) -> None:
    refused(tmp_path / "m.3mf", small_3mf(model), words)


def test_a_zip_of_something_else(tmp_path: Path) -> None:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as package:
        package.writestr("scan.stl", GOOD["stl"])
    refused(tmp_path / "m.zip", buffer.getvalue(), "holds no 3MF model", "name the mesh inside")


# --- glTF ----------------------------------------------------------------------------------------


def test_gltf_that_refers_to_other_files(tmp_path: Path) -> None:
    scene = trimesh.Scene(trimesh.Trimesh(VERTICES, FACES, process=False))
    for name, data in trimesh.exchange.gltf.export_gltf(scene).items():
        (tmp_path / name).write_bytes(data)
    error = refused(tmp_path / "model.gltf", (tmp_path / "model.gltf").read_bytes(), "other files")
    assert "gltf_buffer_0.bin" in str(error)
    for uri in ("http://example.org/a.bin", "file:///etc/hostname", "../x.bin"):
        table = json.loads(GOOD["gltf"])
        table["buffers"][0]["uri"] = uri
        refused(tmp_path / "m.gltf", json.dumps(table).encode(), "other files", uri)


def changed_gltf(**changes: object) -> bytes:
    """The good glTF with parts of its table changed: accessor__x, primitive__x, or top level."""
    table = json.loads(GOOD["gltf"])
    primitive = table["meshes"][0]["primitives"][0]
    accessor = table["accessors"][primitive["attributes"]["POSITION"]]
    for key, value in changes.items():
        target, _, name = key.rpartition("__")
        {"accessor": accessor, "primitive": primitive, "": table}[target][name] = value
    return json.dumps(table).encode()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"accessor__sparse": {"count": 1}}, "packed or sparse"),
        ({"accessor__componentType": 5122}, "quantised"),
        ({"primitive__mode": 6}, "fans"),
        ({"primitive__mode": 1}, "no triangles"),
        ({"extensionsRequired": ["KHR_draco_mesh_compression"]}, "KHR_draco_mesh_compression"),
        ({"nodes": []}, ""),
        ({"buffers": []}, ""),
    ],
)
def test_gltf_that_would_be_read_wrong(tmp_path: Path, changes: dict, words: str) -> None:
    refused(tmp_path / "m.gltf", changed_gltf(**changes), words)


def test_glb_whose_length_is_not_its_own(tmp_path: Path) -> None:
    data = GOOD["glb"]
    longer = data[:8] + struct.pack("<I", len(data) + 4) + data[12:]
    refused(tmp_path / "m.glb", longer, "cut off", f"{len(data)} bytes, {len(data) + 4} needed")
