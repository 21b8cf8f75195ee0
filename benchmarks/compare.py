"""Parallel blockout by this project against what one would write with general-purpose libraries.

    python benchmarks/compare.py                          # ball, sample scan, real arches if there
    python benchmarks/compare.py --body ball --way prisms heights-0.05
    python -m pip install vtk scikit-image cgal           # for the ways that need them

One run on one machine. Each way works in a process of its own, on the same upright cast, and gives
the wax alone; reading and imports are not timed, the shortest of a few runs counts, its peak memory
is that of its process. Judged are:

- volume, against the closed form on the ball and against one prism per facet on scans;
- wall position: points spread evenly over the true wall (by closed form, or vertical faces of the
  prisms' union away from the cast), and for each the distance to the nearest surface of the wax,
  which is never more than the wall's displacement;
- closed: by the project's own answer, and by trimesh's.

The path is level: no base wall is then undercut, and no way needs to know what was scanned.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import json
import math
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from peak import peak_mb
from ways import WAYS, Floats, Triangles, Upright

ROOT = Path(__file__).parents[1]
REAL = ROOT / "../shared/casts"
OWN = {
    "own": "own: ceilings to checked wax",
    "own-cuts": "own, where curtains do not do: by the solid kernel",
    "own-all": "own: survey, wax, checks, model",
}
FLOOR = {
    "one-boolean": "one union with a turned copy",
    "one-pass": "one pass of rays from every vertex",
}
BODIES = {
    "ball": ROOT / "sample_meshes" / "sphere_on_plate.stl",
    "sample": ROOT / "sample_meshes" / "lower_scan.stl",
    "real-lower": REAL / "lower_partial_open.ply",
    "real-upper": REAL / "upper_partial_open.ply",
}
SLOW = {
    "exact-prisms": "exact numbers on more than a small body take hours",
    "distances-0.025": "the grid needs over 30 GB",
    "distances-cut-0.025": "the grid needs over 30 GB",
}
"""What is left out on scans unless asked for by name."""
GOOD_UM = 10.0
_SAME_UM = 0.001
_ALL_USE = ("igl", "manifold3d", "scipy.ndimage", "blockout.kernel.rays")
WALL_POINTS = 20_000
_REPEATS, _SHORT_S = 5, 1.0
"""A way is run up to five times, until a second is spent, and its shortest run counts."""
_OFF_CAST_MM = 0.02
_SUBSTANCE_MM = 0.002


# --- bodies --------------------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Truth:
    """Volume of the wax, mm3, points on its wall (k, 3), and where both come from."""

    volume_mm3: float
    wall_points: Floats
    source: str


def make_body(body: str, folder: Path) -> Upright:
    """Prepare a cast, write it for the processes, and give it upright."""
    from blockout.case.settings import PathSettings, PrepareSettings
    from blockout.cast.record import write_cast
    from blockout.job.casts import load_cast
    from blockout.surveying.path import insertion_path
    from blockout.wax.space import free_space

    arch = "upper" if body == "real-upper" else "lower"
    turned = {"up": "+z", "front": "+y"} if body == "ball" else {}
    settings = PrepareSettings.model_validate({"arch": arch, **turned})
    cast = load_cast(BODIES[body], settings=settings).cast
    write_cast(folder / "cast.ply", cast)
    path = insertion_path(cast.frame, arch=cast.arch, settings=PathSettings())
    space = free_space(cast, path)
    upright = Upright(
        np.array(space.upright.vertices), np.array(space.upright.faces), np.array(cast.scanned)
    )
    np.savez(
        folder / "upright.npz",
        vertices=upright.vertices,
        faces=upright.faces,
        scanned=upright.scanned,
        to_upright=space.to_upright,
    )
    return upright


def ball_truth(upright: Upright, to_upright: Floats, *, around: int = 64) -> Truth:
    """Closed form of the faceted ball on its plate: rings are regular polygons, so the wax is the
    prism under the widest ring less the frusta between the rings under it.
    """
    radius_mm, equator_mm, plate_mm = 5.0, 4.5, 5.0
    start = -math.asin(equator_mm / radius_mm)
    arc = np.linspace(start, math.pi / 2.0, 1 + around // 2 * 7 // 8)
    ring, height = radius_mm * np.cos(arc), radius_mm * np.sin(arc) + equator_mm
    height[0] = 0.0
    widest = int(ring.argmax())
    share = around / 2.0 * math.sin(2.0 * math.pi / around)
    r1, r2, h = ring[:widest], ring[1 : widest + 1], np.diff(height[: widest + 1])
    under_mm3 = float((h / 3.0 * (r1**2 + r1 * r2 + r2**2)).sum())
    volume_mm3 = share * (float(ring[widest]) ** 2 * float(height[widest]) - under_mm3)

    rng = np.random.default_rng(3)
    side, along, up = rng.integers(0, around, WALL_POINTS), *rng.random((2, WALL_POINTS))
    angle = 2.0 * np.pi * (side[:, None] + [0, 1]) / around
    corner = ring[widest] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    plan = corner[:, 0] + along[:, None] * (corner[:, 1] - corner[:, 0])
    points = np.column_stack([plan, up * height[widest]])
    # the file's z = 0 is the plate's top, which stands that thick over the floor
    placed = points @ to_upright[:3, :3].T + to_upright[:3, 3]
    assert abs(placed[:, 2].min() - plate_mm) < 0.01
    return Truth(volume_mm3, placed, "closed form")


def prism_truth(upright: Upright, wax: Triangles) -> Truth:
    """The prisms' union as truth: wall points on its vertical faces, away from the cast. Its fins
    without substance, left where prism and cast only touch, are no wall.
    """
    import igl

    from blockout.mesh import Mesh

    mesh = Mesh(*wax)
    wall = np.abs(mesh.face_normals[:, 2]) < 1e-6
    area = np.where(wall, mesh.face_areas_mm2, 0.0)
    rng = np.random.default_rng(3)
    face = rng.choice(len(area), 2 * WALL_POINTS, p=area / area.sum())
    share = rng.dirichlet((1.0, 1.0, 1.0), len(face))
    points = np.einsum("ij,ijk->ik", share, mesh.corners[face])
    square_mm2 = igl.point_mesh_squared_distance(points, upright.vertices, upright.faces)[0]
    step = _SUBSTANCE_MM * mesh.face_normals[face]
    within, without = (
        igl.fast_winding_number(np.array(mesh.vertices), np.array(mesh.faces), places)
        for places in (points - step, points + step)
    )
    wall_points = (square_mm2 > _OFF_CAST_MM**2) & (within > 0.5) & (without < 0.5)
    return Truth(mesh.volume_mm3, points[wall_points][:WALL_POINTS], "prisms")


# --- one way, in a process of its own ------------------------------------------------------------
def run_one(name: str, folder: Path) -> dict[str, float]:
    """Do it, save the wax, and tell what it took."""
    held = np.load(folder / "upright.npz")
    upright = Upright(held["vertices"], held["faces"], held["scanned"])
    for library in (*_ALL_USE, *(WAYS[name].needs if name in WAYS else ())):
        importlib.import_module(library)
    least: tuple[float, float] | None = None
    spent_s = 0.0
    for _ in range(_REPEATS):
        work = _work(name, folder, upright, held["to_upright"])
        before, begun = resource.getrusage(resource.RUSAGE_SELF), time.perf_counter()
        wax = work()
        wall_s, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_SELF)
        cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        least = min(least or (wall_s, cpu_s), (wall_s, cpu_s))
        spent_s += wall_s
        if spent_s > _SHORT_S:
            break
    assert least is not None
    if name not in FLOOR:
        np.savez(folder / f"{name}.npz", vertices=wax[0], faces=wax[1])
    return {"wall_s": least[0], "cpu_s": least[1], "peak_mb": peak_mb()}


def _work(name: str, folder: Path, upright: Upright, to_upright: Floats) -> Callable[[], Any]:
    """One way made ready, with nothing known from a run before."""
    if name in WAYS:
        return lambda: WAYS[name].run(upright)
    if name in OWN:
        return _own(name, folder, to_upright)
    return _floor(name, upright)


def _own(name: str, folder: Path, to_upright: Floats) -> Callable[[], Triangles]:
    """This project's: the fill alone, as the others give it; or with the whole survey before it and
    the joined model after it.
    """
    from blockout.case.settings import PathSettings, SurveySettings
    from blockout.cast.record import read_cast
    from blockout.mesh import Mesh
    from blockout.model.build import build_model
    from blockout.surveying.ceilings import find_ceilings
    from blockout.surveying.path import insertion_path
    from blockout.surveying.survey import survey
    from blockout.surveying.undercut import pulled_down
    from blockout.wax.parallel import parallel_blockout
    from blockout.wax.space import free_space

    cast = read_cast(folder / "cast.ply")
    assert cast is not None

    def fill() -> Mesh:
        path = insertion_path(cast.frame, arch=cast.arch, settings=PathSettings())
        space = free_space(cast, path)
        ceilings = find_ceilings(cast.mesh, cast.scanned, path.direction)
        hung = space.under(ceilings.face)
        assert hung is not None, "curtains do not do here"
        return hung.wax

    def cuts() -> Mesh:
        path = insertion_path(cast.frame, arch=cast.arch, settings=PathSettings())
        space = free_space(cast, path)
        ceilings = find_ceilings(cast.mesh, cast.scanned, path.direction)
        return space.take(pulled_down(space.upright, ceilings, floor_mm=0.0))[0]

    def everything() -> Mesh:
        read = survey(cast, settings=SurveySettings(noise_depth_mm=0.0))
        done = parallel_blockout(read)
        build_model(done.left, [done.wax])
        assert done.wax.mesh is not None
        return done.wax.mesh

    def work() -> Triangles:
        mesh = {"own": fill, "own-cuts": cuts, "own-all": everything}[name]()
        return np.array(mesh.moved(to_upright).vertices), np.array(mesh.faces)

    return work


def _floor(name: str, upright: Upright) -> Callable[[], Any]:
    from blockout.kernel.rays import RayScene
    from blockout.kernel.solids import Solid
    from blockout.mesh import Mesh

    mesh = Mesh(upright.vertices, upright.faces)
    if name == "one-pass":
        up = np.array([0.0, 0.0, 1.0])
        return lambda: RayScene(mesh).blocked(mesh.vertices, up, beyond_mm=1e-3)
    cos, sin = math.cos(math.radians(7.0)), math.sin(math.radians(7.0))
    turn = np.eye(4)
    turn[:2, :2] = [[cos, -sin], [sin, cos]]
    solid = Solid.from_mesh(mesh)
    other = solid.turned(turn)
    _ = other.volume_mm3
    return lambda: (solid + other).volume_mm3


# --- judging -------------------------------------------------------------------------------------
@dataclass(frozen=True)
class Outcome:
    """What a way took and gave; ``failed`` says why it gave nothing."""

    body: str
    name: str
    said: str
    wall_s: float = math.nan
    cpu_s: float = math.nan
    peak_mb: float = math.nan
    triangles: int = 0
    volume_error: float = math.nan
    wall_mean_um: float = math.nan
    wall_95_um: float = math.nan
    solid: bool = False
    closed_by_trimesh: bool = False
    failed: str = ""


def judged(wax: Triangles, truth: Truth) -> dict[str, Any]:
    """Volume, wall and closedness of some wax."""
    import igl
    import trimesh

    from blockout.mesh import Mesh, solidity

    mesh = Mesh(*wax)
    square_mm2 = igl.point_mesh_squared_distance(
        np.ascontiguousarray(truth.wall_points), np.array(mesh.vertices), np.array(mesh.faces)
    )[0]
    off_um = 1000.0 * np.sqrt(square_mm2)
    other = trimesh.Trimesh(mesh.vertices, mesh.faces, process=False)
    return {
        "triangles": mesh.triangle_count,
        "volume_error": mesh.volume_mm3 / truth.volume_mm3 - 1.0,
        "wall_mean_um": float(off_um.mean()),
        "wall_95_um": float(np.percentile(off_um, 95.0)),
        "solid": solidity(mesh).is_solid,
        "closed_by_trimesh": bool(other.is_watertight and other.is_winding_consistent),
    }


def tried(body: str, name: str, folder: Path, *, limit_s: float) -> Outcome:
    """One way in a process of its own; not judged yet."""
    said = OWN.get(name) or FLOOR.get(name) or WAYS[name].said
    absent = [one for one in (WAYS[name].needs if name in WAYS else ()) if not _there(one)]
    if absent:
        return Outcome(body, name, said, failed=f"{', '.join(absent)} is not installed")
    command = [sys.executable, __file__, "--one", name, "--folder", str(folder)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=limit_s, check=False)
    except subprocess.TimeoutExpired:
        return Outcome(body, name, said, failed=f"not done in {limit_s:.0f} s")
    if done.returncode:
        last = (done.stderr.strip().splitlines() or [""])[-1]
        why = last if done.returncode > 0 else f"ended by signal {-done.returncode}"
        return Outcome(body, name, said, failed=why[:160])
    return Outcome(body, name, said, **json.loads(done.stdout.splitlines()[-1]))


def _there(module: str) -> bool:
    return importlib.util.find_spec(module.split(".")[0]) is not None


def wax_of(name: str, folder: Path) -> Triangles:
    held = np.load(folder / f"{name}.npz")
    return held["vertices"], held["faces"]


def compare(
    body: str, names: Iterable[str], *, limit_s: float, told: Callable[[str], None]
) -> list[Outcome]:
    """Some of the project's own, the floor and the ways, on one body. On scans the prisms are the
    truth, so that they always come along, first.
    """
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        upright = make_body(body, folder)
        told(f"{body}: {len(upright.faces):,} triangles, {int(upright.down.sum()):,} look down")
        outcomes: list[Outcome] = []
        asked = list(dict.fromkeys(names))
        if body != "ball":
            asked = ["prisms", *(name for name in asked if name != "prisms")]
        truth = None
        if body == "ball":
            truth = ball_truth(upright, np.load(folder / "upright.npz")["to_upright"])
        for name in asked:
            outcome = tried(body, name, folder, limit_s=limit_s)
            if not outcome.failed and name not in FLOOR:
                wax = wax_of(name, folder)
                truth = truth or prism_truth(upright, wax)
                outcome = Outcome(**{**asdict(outcome), **judged(wax, truth)})
                (folder / f"{name}.npz").unlink()
            elif truth is None:  # the prisms, on a scan
                raise SystemExit(f"no truth for {body}: {outcome.failed}")
            told(f"  {outcome.said}: {outcome.failed or f'{outcome.wall_s:.2f} s'}")
            outcomes.append(outcome)
    return outcomes


# --- table ---------------------------------------------------------------------------------------
def table(outcomes: list[Outcome]) -> str:
    """Times and memory over those of this project's fill; errors as they are."""
    own = next(one for one in outcomes if one.name == "own")
    lines = [
        "| way | time | CPU | memory | triangles | volume | wall mean, um | wall 95 %, um | "
        "solid | closed (trimesh) |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for one in sorted(outcomes, key=lambda one: [*OWN, *WAYS, *FLOOR].index(one.name)):
        if one.failed:
            lines.append(f"| {one.said} | {one.failed} | | | | | | | | |")
            continue
        took = f"{one.wall_s / own.wall_s:.2f} | {one.cpu_s / own.cpu_s:.2f} | " + (
            f"{one.peak_mb / own.peak_mb:.2f}"
        )
        if one.name in FLOOR:
            lines.append(f"| {one.said} | {took} | | | | | | |")
            continue
        yes = {True: "yes", False: "no"}
        lines.append(
            f"| {one.said} | {took} | {one.triangles:,} | {100.0 * one.volume_error:+.2g} % | "
            f"{one.wall_mean_um:.2g} | {one.wall_95_um:.2g} | {yes[one.solid]} | "
            f"{yes[one.closed_by_trimesh]} |"
        )
    return "\n".join(lines)


def verdict(outcomes: list[Outcome]) -> str:
    """Which others have a mean wall error under 10 um, and how much longer they take."""
    done = {one.name: one for one in outcomes if not one.failed and one.name not in FLOOR}
    own = done["own"]
    others = [one for name, one in done.items() if name not in OWN]
    near = [one for one in others if one.wall_mean_um < GOOD_UM]
    judges = {"prisms"} if own.body != "ball" else set()  # the truth there
    first = all(
        own.wall_mean_um <= one.wall_mean_um + _SAME_UM for one in others if one.name not in judges
    )
    said = ", ".join(f"{one.said} {one.wall_s / own.wall_s:.1f} times" for one in near) or "none"
    rank = "yes, or level with it to a nanometre" if first else "no"
    return (
        f"Own: {own.wall_s:.2f} s, {own.cpu_s:.2f} s CPU, {own.peak_mb:.0f} MB, wall "
        f"{own.wall_mean_um:.2g} um; first on wall error: {rank}. "
        f"Mean wall error under {GOOD_UM:.0f} um, and time over own: {said}."
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--body", nargs="+", choices=BODIES, help="default: those that are there")
    asked.add_argument("--way", nargs="+", choices=WAYS, help="default: all that a body allows")
    asked.add_argument("--limit-s", type=float, default=600.0, help="per way")
    asked.add_argument("--json", type=Path, help="write what was measured")
    asked.add_argument("--one", help=argparse.SUPPRESS)
    asked.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.one:
        print(json.dumps(run_one(given.one, given.folder)))
        return
    every: list[Outcome] = []
    for body in given.body or [name for name, file in BODIES.items() if file.exists()]:
        ways = given.way or [name for name in WAYS if body == "ball" or name not in SLOW]

        def tell(line: str) -> None:
            print(line, file=sys.stderr, flush=True)

        outcomes = compare(body, [*FLOOR, *OWN, *ways], limit_s=given.limit_s, told=tell)
        every.extend(outcomes)
        print(f"\n### {body}\n\n{table(outcomes)}\n\n{verdict(outcomes)}", flush=True)
        if given.json:
            given.json.write_text(json.dumps([asdict(one) for one in every], indent=1))


if __name__ == "__main__":
    main()
