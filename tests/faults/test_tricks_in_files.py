"""Files made to read, reach or fill what they must not: bombs, entities, references outward, names
that climb. Refused in words, in little time and memory; and nothing else is ever opened.
"""

from __future__ import annotations

import functools
import io
import json
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import pytest
from struck import (
    FIXED,
    HERE,
    assert_words,
    build_order,
    environment,
    program,
    scan_in,
    staged,
    tiny,
)

from blockout.errors import InputError, ReadError
from blockout.job import compare_files, export_model
from blockout.kernel.files import read_mesh_file

sys.path.insert(0, str(HERE.parent / "corpus"))

import written

MODEL = "3D/3dmodel.model"
SECRET = "a secret that no mesh may read"


def zipped(parts: dict[str, bytes | str]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as package:
        for name, content in parts.items():
            package.writestr(name, content)
    return buffer.getvalue()


def related(target: str, *, mode: str = "") -> str:
    """A relationship that names where the model is."""
    kind = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    space = "http://schemas.openxmlformats.org/package/2006/relationships"
    return (
        f'<Relationships xmlns="{space}"><Relationship Id="a" Target="{target}" Type="{kind}"'
        f"{mode}/></Relationships>"
    )


def lying_sizes() -> bytes:
    """A part of 200 MB whose own records say that it unpacks to 1000 bytes."""
    engine = zlib.compressobj(9, zlib.DEFLATED, -15)
    packed = b"".join(engine.compress(b" " * (1 << 20)) for _ in range(200)) + engine.flush()
    name = MODEL.encode()
    sizes = struct.pack("<III", 0, len(packed), 1000)
    local = b"PK\3\4" + struct.pack("<HHHHH", 20, 0, 8, 0, 0) + sizes
    local += struct.pack("<HH", len(name), 0) + name
    central = b"PK\1\2" + struct.pack("<HHHHHH", 20, 20, 0, 8, 0, 0) + sizes
    central += struct.pack("<HHHHHII", len(name), 0, 0, 0, 0, 0, 0) + name
    end = b"PK\5\6" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(central), len(local) + len(packed), 0)
    return local + packed + central + end


@functools.cache
def bombs() -> dict[str, bytes]:
    body = written.model_xml(tiny())
    laughs = "".join(f'<!ENTITY a{k} "{f"&a{k - 1};" * 10}">' for k in range(1, 10))
    head, rest = body.split("?>", 1)
    model = f"{head}?>"
    return {
        "spaces": zipped({MODEL: " " * (64 << 20)}),
        "lying sizes": lying_sizes(),
        "bomb beside the model": zipped({MODEL: body, "extra.bin": b"\0" * (64 << 20)}),
        "laughs": zipped({MODEL: f'{model}<!DOCTYPE m [<!ENTITY a0 "ha">{laughs}]>{rest}'}),
        "one long entity": zipped(
            {MODEL: f'{model}<!DOCTYPE m [<!ENTITY a "{"x" * 50_000}">]>{rest}'}
        ),
        "parameter entity": zipped({MODEL: f'{model}<!DOCTYPE m [<!ENTITY % a "b"> %a;]>{rest}'}),
        "laughs in the relations": zipped(
            {
                "_rels/.rels": f'<!DOCTYPE m [<!ENTITY a0 "ha">{laughs}]>' + related("/" + MODEL),
                MODEL: body,
            }
        ),
    }


def outward(secret: Path) -> dict[str, tuple[str, bytes]]:
    """Files that name another file or address."""
    body = tiny()
    xml = written.model_xml(body)
    head, rest = xml.split("?>", 1)
    head += "?>"
    uri = secret.as_uri()
    places = [
        str(secret),
        uri,
        f"../{secret.name}",
        "http://127.0.0.1:9/a",
        "//127.0.0.1/a",
        "%2e%2e/a",
    ]
    found = {}
    for k, place in enumerate(places):
        found[f"gltf buffer {k}"] = ("gltf", written.gltf(body, uri=place))
        table = json.loads(written.gltf(body))
        table["images"] = [{"uri": place}]
        table["textures"] = [{"source": 0}]
        table["materials"] = [{"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}]
        table["meshes"][0]["primitives"][0]["material"] = 0
        found[f"gltf picture {k}"] = ("gltf", json.dumps(table).encode())
        more = [f"mtllib {place}", f"call {place}", f"map_Kd {place}", "usemtl a"]
        found[f"obj library {k}"] = ("obj", written.obj(body, more=more))
        entity = f'<!DOCTYPE m [<!ENTITY e SYSTEM "{place}">]>'
        found[f"3mf entity {k}"] = ("3mf", zipped({MODEL: head + entity + rest}))
        found[f"3mf document type {k}"] = (
            "3mf", zipped({MODEL: f'{head}<!DOCTYPE m SYSTEM "{place}">{rest}'}),
        )  # fmt: skip
        found[f"3mf relation {k}"] = ("3mf", zipped({"_rels/.rels": related(place), "a": xml}))
        found[f"3mf relation outward {k}"] = (
            "3mf", zipped({"_rels/.rels": related(place, mode=' TargetMode="External"')}),
        )  # fmt: skip
        item = f'<item p:path="{place}" objectid="1"/>'
        space = ' xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06"'
        moved = xml.replace('<item objectid="1"/>', item).replace(" unit=", f"{space} unit=")
        assert item in moved
        found[f"3mf path {k}"] = ("3mf", zipped({MODEL: moved}))
        found[f"3mf include {k}"] = (
            "3mf",
            zipped({MODEL: xml.replace(
                "<build>",
                f'<i:include xmlns:i="http://www.w3.org/2001/XInclude" href="{place}"/><build>',
            )}),
        )  # fmt: skip
    return found


REFUSED = ("gltf buffer", "3mf entity", "3mf document", "3mf relation", "3mf path")


def test_nothing_but_the_file_itself_is_opened(tmp_path: Path) -> None:
    secret = tmp_path / "secret.txt"
    secret.write_text(SECRET, encoding="utf-8")
    folder = tmp_path / "scans"
    folder.mkdir()
    tricks = outward(secret)
    for number, (suffix, data) in enumerate(tricks.values()):
        (folder / f"{number}.{suffix}").write_bytes(data)
    names = [str(folder / f"{n}.{suffix}") for n, (suffix, _) in enumerate(tricks.values())]
    done = subprocess.run(
        [sys.executable, str(HERE / "watched.py"), *names],
        env=environment(), capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert len(told) == len(tricks) == 54
    for name, each in zip(tricks, told, strict=True):
        assert each["touched"] == [], name
        assert SECRET not in str(each["read"])
        if name.startswith(REFUSED):
            assert isinstance(each["read"], str), f"{name} was read"
        else:
            # what only decorates is passed over, and the surface is all there
            assert each["read"] == tiny().triangle_count, f"{name}: {each['read']}"


def test_the_watcher_sees_what_is_opened(tmp_path: Path) -> None:
    """The test above can fail: reading beside the file is told."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import watched as w; seen = []\n"
        "w._watched.append(seen); open(sys.argv[2]).read(); print(seen)"
    )
    (tmp_path / "beside.txt").write_text("x", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", code, str(HERE), str(tmp_path / "beside.txt")],
        env=environment(), capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert "beside.txt" in done.stdout


@pytest.mark.parametrize("trick", [
    "spaces", "lying sizes", "bomb beside the model", "laughs", "one long entity",
    "parameter entity", "laughs in the relations",
])  # fmt: skip
def test_bombs_are_refused_in_little_memory(tmp_path: Path, trick: str) -> None:
    bomb = tmp_path / "scan.3mf"
    bomb.write_bytes(bombs()[trick])
    resource = pytest.importorskip("resource", reason="no measure of memory on this system")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(ReadError) as refused:
        read_mesh_file(bomb)
    assert refused.value.what
    assert "scan.3mf" in (refused.value.where or "")
    if "laughs" in trick or "entity" in trick:
        assert "entities" in refused.value.what
    # kB on Linux, bytes elsewhere: 100 MB, half of what the bomb would fill
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000


def test_a_trick_is_told_by_the_program_like_any_bad_file(tmp_path: Path) -> None:
    bomb = tmp_path / "scan.3mf"
    bomb.write_bytes(bombs()["laughs"])
    done = program("build", bomb, *FIXED, "--out", tmp_path / "b")
    assert done.returncode == 2
    assert_words(done.stderr, "entities", "scan.3mf")
    assert [entry.name for entry in tmp_path.iterdir()] == ["scan.3mf"]


def test_a_build_from_elsewhere_cannot_name_files_outside_it(tmp_path: Path) -> None:
    """``summary.json`` names the parts of a build; export and comparison open a file for each."""
    scan = scan_in(tmp_path)
    built = tmp_path / "b"
    assert staged([build_order(scan, built)], tmp_path)[0]["code"] == 0
    summary = json.loads((built / "summary.json").read_text("utf-8"))
    assert export_model(built, out=tmp_path / "good.3mf", file_format="3mf").triangles > 0
    for name in ("../../secret", "/etc/hostname", "..", "a/b", "C:\\a", "", None, ["a"]):
        summary["parts"][0]["name"] = name
        (built / "summary.json").write_text(json.dumps(summary), encoding="utf-8")
        with pytest.raises(InputError, match="not the name of a part"):
            export_model(built, out=tmp_path / "m.3mf", file_format="3mf")
        with pytest.raises(InputError, match="not the name of a part"):
            compare_files([scan], folder=built)
    assert not (tmp_path / "m.3mf").exists()
