"""Hundreds of builds in one process, or thousands of requests to one page server: does it grow?

    python benchmarks/soak.py --builds 500
    python benchmarks/soak.py --requests 2000

Told are resident memory, open file handles, threads and temporary files after warm-up (the first
fifth) and at the end, and the slope of memory per hundred. Builds are whole ones, folder and all,
of a cone on a plate, each along another path; pictures are small. The server runs in a process of
its own as ``blockout serve`` starts it, with one case on the table; most requests are those of a
table in use, some are refused at the door, and one in twenty is a page that is loaded and left.
"""

from __future__ import annotations

import argparse
import gc
import http.client
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

SAMPLES = Path(__file__).parents[1] / "sample_meshes"
WARM_UP = 0.2
_LEFT_S = 90.0
"""Pages that are left are forgotten by the server after a minute; memory is read after that."""
_ROUNDS = 5
"""Requests come in so many rounds, with that pause after each."""


@dataclass(frozen=True)
class Held:
    """What a process holds at one moment."""

    done: int
    memory_mb: float
    handles: int
    threads: int
    temporary: int


def held(process: int | str, done: int, temporary: Path) -> Held:
    """Of a process, by what the system tells of it (Linux)."""
    status = Path(f"/proc/{process}/status").read_text(encoding="utf-8")
    said = dict(line.split(":", 1) for line in status.splitlines() if ":" in line)
    return Held(
        done=done,
        memory_mb=int(said["VmRSS"].split()[0]) / 1024.0,
        handles=len(list(Path(f"/proc/{process}/fd").iterdir())),
        threads=int(said["Threads"]),
        temporary=sum(1 for _ in temporary.rglob("*")),
    )


def told(every: list[Held], what: str, seconds: float) -> str:
    """First, last and slope, in a few lines."""
    warm = [one for one in every if one.done >= WARM_UP * every[-1].done]
    slope = np.polyfit([one.done for one in warm], [one.memory_mb for one in warm], 1)[0]
    first, last = warm[0], warm[-1]
    half = [one for one in warm if one.done >= every[-1].done / 2]
    late = np.polyfit([one.done for one in half], [one.memory_mb for one in half], 1)[0]
    lines = [
        f"{last.done} {what} in {seconds:.0f} s",
        "| | after warm-up | at the end |",
        "|---|---|---|",
    ]
    for words, name in (
        ("resident memory, MB", "memory_mb"),
        ("file handles", "handles"),
        ("threads", "threads"),
        ("temporary files", "temporary"),
    ):
        a, b = getattr(first, name), getattr(last, name)
        lines.append(f"| {words} | {a:.0f} | {b:.0f} |")
    lines.append(
        f"memory per 100 {what}: {100.0 * slope:+.2f} MB, "
        f"over the second half {100.0 * late:+.2f} MB"
    )
    return "\n".join(lines)


def builds(count: int, limit_s: float, say: Callable[[str], None]) -> str:
    """Whole builds in this process."""
    from blockout.case.case import Case, CastSettings
    from blockout.case.settings import PathSettings
    from blockout.job.builds import build_case
    from blockout.report.pictures import model_pictures

    model_pictures.__kwdefaults__["size_px"] = (200, 150)
    settings = CastSettings(
        file=str(SAMPLES / "cone_on_plate.stl"), arch="lower", unit="mm", up="+z", front="+y"
    )
    every: list[Held] = []
    with tempfile.TemporaryDirectory() as place:
        temporary, out = Path(place) / "temporary", Path(place) / "out"
        temporary.mkdir()
        tempfile.tempdir = str(temporary)
        try:
            begun = time.perf_counter()
            for k in range(count):
                tilt = PathSettings(anterior_tilt_deg=k % 7 - 3.0, lateral_tilt_deg=k % 5 - 2.0)
                build_case(Case(cast=settings, path=tilt), out=out)
                if (k + 1) % max(1, count // 50) == 0:
                    gc.collect()
                    every.append(held("self", k + 1, temporary))
                    say(str(every[-1]))
                if time.perf_counter() - begun > limit_s:
                    break
            beside = [file.name for file in Path(place).iterdir()]
        finally:
            tempfile.tempdir = None
        said = told(every, "builds", time.perf_counter() - begun)
    return f"{said}\nleft beside the build's folder: {sorted(set(beside) - {'temporary', 'out'})}"


# --- the page's server ---------------------------------------------------------------------------
def serve_here(folder: Path) -> None:
    """The server with one case open; tells its port, key and sitting on the first line."""
    from blockout.web.guard import Doorway
    from blockout.web.server import Desk, bound_socket, serve

    listening = bound_socket("127.0.0.1", 0)
    doorway = Doorway(host="127.0.0.1", port=listening.getsockname()[1])
    desk = Desk(folder=folder, doorway=doorway)
    sitting = desk.sittings.open(folder / "case.toml")
    facts = {"port": doorway.port, "key": doorway.key, "sitting": sitting.id}
    serve(listening, desk, ready=lambda address: print(json.dumps(facts), flush=True))


CASE = """\
schema = "blockout-case/1"

[cast]
file = "cone_on_plate.stl"
arch = "lower"
unit = "mm"
up = "+z"
front = "+y"
"""


@dataclass(frozen=True)
class Asked:
    """One kind of request and the status that must come back."""

    method: str
    path: str
    status: int
    body: bytes | None = None
    host: str = ""
    origin: str = ""
    cookie: bool = True


def table_requests(port: int, sitting: str, k: int) -> Asked:
    """The k-th request: mostly those of a table in use."""
    own = f"http://127.0.0.1:{port}"
    at = f"/at/{sitting}"
    depth = {"sequence": k, "anterior_tilt_deg": k % 13 - 6.0, "lateral_tilt_deg": k % 11 - 5.0}
    ray = {"sequence": k, "origin_mm": [0.1, 0.2, 60.0], "direction": [0.0, 0.0, -1.0]}
    if k % 20 == 19:
        return Asked("GET", f"/table/{sitting}" if k % 40 == 39 else "/", 200)
    kinds = (
        Asked("POST", f"{at}/depth", 200, json.dumps(depth).encode(), origin=own),
        Asked("POST", f"{at}/probe", 200, json.dumps(ray).encode(), origin=own),
        Asked("GET", f"{at}/cast", 200),
        Asked("POST", f"{at}/depth", 200, json.dumps(depth).encode(), origin=own),
        Asked("GET", f"{at}/get/case", 200),
        Asked("GET", f"{at}/picture/nothing", 404),
        Asked("GET", "/at/nobody/cast", 404),
        Asked("GET", f"{at}/cast", 421, host="elsewhere.example"),
        Asked("POST", f"{at}/depth", 403, b"{}", origin="http://elsewhere.example"),
        Asked("GET", f"{at}/cast", 403, cookie=False),
        Asked("POST", f"{at}/probe", 400, b"{}", origin=own),
    )
    return kinds[k % len(kinds)]


def requests(count: int, limit_s: float, say: Callable[[str], None]) -> str:
    """Requests to a server in a process of its own."""
    every: list[Held] = []
    with tempfile.TemporaryDirectory() as place:
        folder, temporary = Path(place) / "desk", Path(place) / "temporary"
        folder.mkdir()
        temporary.mkdir()
        shutil.copy(SAMPLES / "cone_on_plate.stl", folder)
        (folder / "case.toml").write_text(CASE, encoding="utf-8")
        command = [sys.executable, __file__, "--serve", str(folder)]
        about = {**os.environ, "TMPDIR": str(temporary)}
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=about) as server:
            try:
                assert server.stdout is not None
                door = json.loads(server.stdout.readline())
                begun = time.perf_counter()
                for k in range(count):
                    _ask(door, table_requests(door["port"], door["sitting"], k))
                    if (k + 1) % max(1, count // _ROUNDS) == 0:
                        time.sleep(_LEFT_S)
                        _ask(door, table_requests(door["port"], door["sitting"], 0))
                        every.append(held(server.pid, k + 1, temporary))
                        say(str(every[-1]))
                    if time.perf_counter() - begun > limit_s:
                        break
                said = told(every, "requests", time.perf_counter() - begun)
            finally:
                server.terminate()
    return said


def _ask(door: dict[str, object], asked: Asked) -> None:
    talk = http.client.HTTPConnection("127.0.0.1", int(str(door["port"])), timeout=60)
    headers = {"Host": asked.host or f"127.0.0.1:{door['port']}"}
    if asked.cookie:
        headers["Cookie"] = f"blockout-{door['port']}={door['key']}"
    if asked.origin:
        headers["Origin"] = asked.origin
    if asked.body is not None:
        headers["Content-Type"] = "application/json"
    talk.request(asked.method, asked.path, body=asked.body, headers=headers)
    answer = talk.getresponse()
    answer.read()
    talk.close()
    if answer.status != asked.status:
        raise SystemExit(f"{asked.method} {asked.path}: {answer.status}, not {asked.status}")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--builds", type=int, default=0)
    asked.add_argument("--requests", type=int, default=0)
    asked.add_argument("--limit-s", type=float, default=1200.0, help="of each kind")
    asked.add_argument("--serve", type=Path, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.serve is not None:
        serve_here(given.serve)
        return
    os.environ["BLOCKOUT_LOG"] = "off"

    def say(line: str) -> None:
        print(line, file=sys.stderr, flush=True)

    if given.builds:
        print(builds(given.builds, given.limit_s, say))
    if given.requests:
        print(requests(given.requests, given.limit_s, say))


if __name__ == "__main__":
    main()
