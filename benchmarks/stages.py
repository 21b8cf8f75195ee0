"""Time and peak memory of each stage, in units of one boolean of the same cast.

    python benchmarks/stages.py                     # the table in benchmarks/README.md
    python benchmarks/stages.py --spacings 0.6 0.33 # fewer sizes

The unit is one union of the cast with a copy of itself turned by 7 degrees about its own vertical,
timed in the same run, the least of three. Casts come from the project's own generator at several
mesh spacings; ``--noise-um`` adds noise along the normals, with a seed. Each size runs in a process
of its own, so that its peak memory is its own; the peak counts reading the cast, surveying,
blocking out and joining, with everything imported.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from peak import peak_mb

SPACINGS_MM = (0.62, 0.335, 0.235, 0.167)
TILT_DEG = (4.0, -2.0)
REPEATS = 3


def make_cast(path: Path, spacing_mm: float, noise_um: float) -> None:
    """Write a closed sample cast of this spacing."""
    from blockout.cast.cast import Cast, Source
    from blockout.cast.noise import estimate_noise_mm
    from blockout.cast.record import write_cast
    from blockout.mesh import Mesh
    from blockout.samples.arch import closed_cast
    from blockout.samples.plan import CastPlan

    made = closed_cast(CastPlan(arch="lower", missing=(36, 37, 45, 46), spacing_mm=spacing_mm))
    mesh = made.mesh
    if noise_um:
        on_skin = np.zeros(len(mesh.vertices), dtype=bool)
        on_skin[mesh.faces[made.skin].reshape(-1)] = True
        on_skin[mesh.faces[~made.skin].reshape(-1)] = False
        push_mm = np.random.default_rng(7).normal(0.0, noise_um / 1000.0, len(mesh.vertices))
        mesh = Mesh(mesh.vertices + (push_mm * on_skin)[:, None] * mesh.vertex_normals, mesh.faces)
    floor_mm = float(made.frame.points_to_cast(mesh.vertices)[:, 2].min())
    cast = Cast(
        mesh=mesh,
        scanned=made.skin.copy(),
        frame=made.frame,
        arch="lower",
        arch_stated=True,
        noise_mm=estimate_noise_mm(mesh, scanned=made.skin),
        floor_mm=floor_mm,
        source=Source("sample", "0" * 64),
    )
    write_cast(path, cast)


def measure(path: Path) -> dict[str, float]:
    """Stages of one cast, seconds, and the peak of this process, MB."""
    from blockout.case.settings import PathSettings
    from blockout.cast.record import read_cast
    from blockout.kernel.solids import Solid
    from blockout.model.build import build_model
    from blockout.surveying.survey import survey
    from blockout.wax.parallel import parallel_blockout

    cast = read_cast(path)
    assert cast is not None
    tilt = PathSettings(anterior_tilt_deg=TILT_DEG[0], lateral_tilt_deg=TILT_DEG[1])
    stages: dict[str, list[float]] = {"survey_s": [], "blockout_s": [], "model_s": []}
    for _ in range(REPEATS):
        begun = time.perf_counter()
        read = survey(cast, path=tilt)
        surveyed = time.perf_counter()
        parallel = parallel_blockout(read)
        waxed = time.perf_counter()
        model = build_model(parallel.left, [parallel.wax])
        joined = time.perf_counter()
        stages["survey_s"].append(surveyed - begun)
        stages["blockout_s"].append(waxed - surveyed)
        stages["model_s"].append(joined - waxed)
    most_mb = peak_mb()

    turn = np.eye(4)
    cos, sin = np.cos(np.radians(7.0)), np.sin(np.radians(7.0))
    turn[:2, :2] = [[cos, -sin], [sin, cos]]
    about = cast.frame.matrix @ turn @ np.linalg.inv(cast.frame.matrix)
    units = []
    for _ in range(REPEATS):
        solid = Solid.from_mesh(cast.mesh)
        other = solid.turned(about)
        _ = other.volume_mm3
        begun = time.perf_counter()
        _ = (solid + other).volume_mm3
        units.append(time.perf_counter() - begun)
    return {
        "triangles": cast.mesh.triangle_count,
        "noise_um": 1000.0 * cast.noise_mm,
        "wax_mm3": parallel.wax.volume_mm3,
        "model_triangles": model.mesh.triangle_count,
        "unit_s": min(units),
        **{name: min(values) for name, values in stages.items()},
        "peak_mb": most_mb,
    }


def row(result: dict[str, float]) -> str:
    """One line of the table."""
    unit_s = result["unit_s"]
    survey, wax, model = (result[f"{name}_s"] / unit_s for name in ("survey", "blockout", "model"))
    return (
        f"| {result['triangles'] / 1000:.0f} k | {result['noise_um']:.1f} | {unit_s:.2f} | "
        f"{survey:.1f} | {wax:.1f} | {model:.1f} | {wax + model:.1f} | {result['peak_mb']:.0f} | "
        f"{result['wax_mm3']:.1f} |"
    )


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--spacings", type=float, nargs="+", default=SPACINGS_MM)
    asked.add_argument("--noise-um", type=float, default=0.0)
    asked.add_argument("--cast", type=Path, help="measure this prepared cast instead")
    asked.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    given = asked.parse_args()
    if given.child is not None:
        print(json.dumps(measure(given.child)))
        return
    print(
        "| triangles | noise, um | unit, s | survey | blockout | model | blockout + model | "
        "peak, MB | wax, mm3 |"
    )
    print("|---|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for spacing_mm in [0.0] if given.cast else given.spacings:
            path = given.cast or Path(folder) / "cast.ply"
            if not given.cast:
                make_cast(path, spacing_mm, given.noise_um)
            told = subprocess.run(
                [sys.executable, __file__, "--child", str(path)],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
            print(row(json.loads(told)), flush=True)


if __name__ == "__main__":
    main()
