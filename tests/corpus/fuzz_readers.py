"""Let a fuzzer loose on one reader: bytes that it makes up, guided by which lines they reach.

    pip install atheris            # not one of the project's own needs
    python tests/corpus/fuzz_readers.py ply --seconds 600 [--keep FOLDER]

Kinds: ``stl``, ``stl_text``, ``ply``, ``ply_text``, ``obj``, ``off``, ``3mf`` (the zip),
``3mf_model`` (the XML inside), ``gltf``, ``glb`` (the table inside)
and ``case`` (the case file's text; ``fuzz_cases.py`` goes deeper, for it knows the schema).

A reader must give a mesh that is fit for work, or a :class:`ReadError` (a case file: a
:class:`CaseError`) that says what is wrong and where; anything else, more than two seconds of
work, or more than 2 GB, stops the run, and the bytes lie in ``crash-...`` beside the seeds. Make a
test of them in ``test_found.py``.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2])]

SUFFIX = {"stl_text": "stl", "ply_text": "ply", "3mf_model": "3mf"}
CORNERS = [[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3]]


def seeds() -> dict[str, list[bytes]]:
    """Small good files of each kind to start from."""
    import numpy as np
    import written
    from written import Style

    from blockout.mesh import Mesh

    body = Mesh(
        np.array([[0.5, 0.25, 0.125], [30.0, 0.5, 1.0], [7.0, 40.0, 3.0], [10.0, 10.0, 20.0]]),
        CORNERS,
    )
    said = Style(comments=["by hand", "blockout unit mm"], coloured=True, eol="\r\n")
    table = written.gltf(body)
    turned = f'<component objectid="1" transform="{"1 0 0 0 1 0 0 0 1 2 3 4"}"/>'
    xml = written.model_xml(body, unit="inch")
    nested = xml.replace(
        "</resources>", f'<object id="2"><components>{turned}</components></object></resources>'
    ).replace('item objectid="1"', 'item objectid="2"')
    return {
        "stl": [written.stl_binary(body), written.stl_binary(body, header=b"solid a")],
        "stl_text": [
            written.stl_text(body),
            written.stl_text(body, Style(eol="\r\n", indent="\t")),
        ],
        "ply": [
            written.ply_binary(body),
            written.ply_binary(body, big=True, coloured=True),
        ],
        "ply_text": [
            written.ply_text(body),
            written.ply_text(body, said),
            written.ply_text(body, Style(eol="\r")),
        ],
        "obj": [
            written.obj(body),
            written.obj(body, said, more=["mtllib a.mtl", "vn 0 0 1", "o a"]),
            b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\nf -4/1/1 -3//2 \\\n -1 -2\n",
        ],
        "off": [written.off(body), written.off(body, said)],
        "3mf": [written.three_mf(body), written.package(nested, packed=False)],
        "3mf_model": [xml.encode(), nested.encode()],
        "gltf": [table],
        "glb": [table[: table.index(b', "uri"')] + table[table.index(b'"}], "bufferViews"') + 1 :]],
        "case": [
            b'schema = "blockout-case/1"\n[cast]\nfile = "a.stl"\nunit = "mm"\n[path]\n'
            b'anterior_tilt_deg = 4\n[survey]\ngauges_mm = [0.25, "0.020 in"]\n',
            b'schema = "blockout-case/1"\ncast.file = "a.ply"\n[[teeth.tooth]]\nnumber = 35\n'
            b"point_mm = [1.0, 2, -3e1]\n[[arm]]\ntooth = 35\naspect = 'buccal'\n"
            b'origin = "distal"\nrole = "retentive"\nundercut_mm = "0.010 in"\n',
            b'schema = "blockout-case/1"\n[cast]\nfile = "a.ply"\n[parallel]\ntaper_deg = 2\n'
            b"keep_in = [[[0,0,0],[1,0,0],[0,1,0]]]\n[[relief]]\nover = 'base mesh'\n"
            b"crest = [[22.0, -1.0, 4.0], [24.0, -9.0, 3.5]]\n[[bead]]\nline = [[1,2,3],[4,5,6]]\n",
        ],
    }


def target(kind: str, folder: Path) -> Callable[[bytes], str]:
    """What is done with the bytes: read, and said whether it gave a mesh or was refused."""
    import written

    from blockout.case.case import parse_case
    from blockout.errors import CaseError, ReadError
    from blockout.kernel.files import read_mesh_file
    from blockout.mesh import Mesh

    def read_case_text(data: bytes) -> str:
        try:
            parse_case(data.decode("utf-8", "surrogateescape"), file="case.toml")
        except CaseError as error:
            _words(error.what, error.where)
            return "refused"
        return "read"

    triangle = Mesh([[0.0, 0.0, 0.0], [30.0, 0.0, 0.0], [0.0, 40.0, 0.0], [5.0, 5.0, 9.0]], CORNERS)
    numbers = triangle.vertices.astype("<f4").tobytes() + triangle.faces.astype("<u4").tobytes()
    path = folder / f"scan.{SUFFIX.get(kind, kind)}"
    wrapped: dict[str, Callable[[bytes], bytes]] = {
        "3mf_model": lambda data: written.package(data, packed=False),
        "glb": lambda data: written.glb_around(data, numbers),
    }

    def read(data: bytes) -> str:
        path.write_bytes(wrapped[kind](data) if kind in wrapped else data)
        try:
            file = read_mesh_file(path)
        except ReadError as error:
            _words(error.what, error.where)
            return "refused"
        mesh = Mesh(file.vertices, file.faces)
        if not mesh.triangle_count:
            raise AssertionError("a mesh without triangles was handed out")
        return "read"

    return read_case_text if kind == "case" else read


def _words(what: str, where: str | None) -> None:
    if not what or not where:
        raise AssertionError("a refusal does not say what is wrong and where")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("kind", choices=sorted(seeds()))
    parser.add_argument("--seconds", type=int, default=600)
    parser.add_argument("--keep", type=Path, help="folder of the inputs found, for a later run")
    chosen = parser.parse_args()
    import atheris

    with atheris.instrument_imports(
        include=["blockout.kernel", "blockout.case", "plyfile", "trimesh.exchange.gltf", "tomllib"]
    ):
        import tomllib  # noqa: F401

        import plyfile  # noqa: F401
        import trimesh.exchange.gltf  # noqa: F401

        import blockout.case.case
        import blockout.kernel.files
        import blockout.kernel.ply_files
        import blockout.kernel.scene_files
        import blockout.kernel.threemf_files  # noqa: F401

    keep = chosen.keep or Path(tempfile.mkdtemp(prefix=f"fuzz-{chosen.kind}-"))
    keep.mkdir(parents=True, exist_ok=True)
    for number, data in enumerate(seeds()[chosen.kind]):
        (keep / f"seed-{number}").write_bytes(data)
    counts = {"read": 0, "refused": 0}
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as desk:
        read = target(chosen.kind, Path(desk))

        def one(data: bytes) -> None:
            begun = time.process_time()
            counts[read(data)] += 1
            if time.process_time() - begun > 2.0:
                raise AssertionError("more than two seconds of work")
            if sum(counts.values()) % 1000 == 0:
                (keep.parent / f"{chosen.kind}.counts").write_text(repr(counts), encoding="utf-8")

        options = [
            sys.argv[0], str(keep), f"-max_total_time={chosen.seconds}", "-timeout=20",
            "-rss_limit_mb=2048", "-max_len=4096", f"-artifact_prefix={keep}{os.sep}..{os.sep}"
            f"{chosen.kind}-", "-print_final_stats=1", "-seed=7",
        ]  # fmt: skip
        atheris.Setup(options, one)
        atheris.Fuzz()


if __name__ == "__main__":
    main()
