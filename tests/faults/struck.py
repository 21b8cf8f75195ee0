"""The tiny scan that is built under all these faults, and how the program is run on it."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bodies import ball_on_plate

from blockout.kernel.files import write_ply, write_stl
from blockout.mesh import Mesh

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
FIXED = ("--unit", "mm", "--up", "+z", "--front", "+y", "--arch", "lower")
LEFT_BY_A_KILL = re.compile(r"b\.(unfinished|replaced)-[0-9a-f]{8}")
RUN = (  # without pictures, which take nine tenths of a small build
    "from blockout.job import builds, surveys\n"
    "builds.model_pictures = surveys.survey_pictures = lambda *_: ()\n"
    "from blockout.cli.main import run; run()"
)


def tiny() -> Mesh:
    """A ball in a plate, 640 triangles: a build of it takes half a second."""
    return ball_on_plate(around=16)[0]


def scan_in(folder: Path, name: str = "scan.stl") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name
    (write_ply if path.suffix == ".ply" else write_stl)(path, tiny())
    return path


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def environment(**more: str) -> dict[str, str]:
    kept = {key: value for key, value in os.environ.items() if not key.startswith("BLOCKOUT")}
    return {**kept, "PYTHONPATH": str(ROOT), "PYTHONIOENCODING": "utf-8", **more}


def program(
    *arguments: object, code: str = RUN, **options: Any
) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        env=environment(),
        text=True,
        encoding="utf-8",
        timeout=120,
        check=False,
        **({"capture_output": True} | options),
    )


def staged(
    runs: Sequence[dict[str, Any]], desk: Path, *, user: int | None = None
) -> list[dict[str, Any]]:
    """Builds one after the other, each struck as its order says; see :mod:`staged`."""
    order = json.dumps({"runs": list(runs), "desk": str(desk), "user": user})
    done = subprocess.run(
        [sys.executable, str(HERE / "staged.py"), order],
        capture_output=True,
        env=environment(),
        text=True,
        encoding="utf-8",
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told: list[dict[str, Any]] = json.loads(done.stdout)
    return told


def build_order(scan: Path, out: Path, *more: str, **stroke: Any) -> dict[str, Any]:
    arguments = ["build", str(scan), *FIXED, "--out", str(out), *more]
    return {"arguments": arguments, "beside": str(out.parent), "scan": str(scan), **stroke}


def assert_words(stderr: str, *words: str) -> None:
    """Something was said, it is no traceback, and no fault of the program's own."""
    assert stderr.strip()
    assert "Traceback" not in stderr
    assert "fault of blockout" not in stderr
    for word in words:
        assert word in stderr
