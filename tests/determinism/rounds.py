"""Everything once or more in a process of its own: ``python rounds.py ROUNDS CORES PLACE INPUT``.

PLACE gets a folder for each round, and one for the build of a whole scan, which takes long and is
done once; INPUT holds what is worked on. The process keeps to CORES cores.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

SCAN_CASE = Path(__file__).parents[2] / "sample_meshes" / "lower_case.toml"


def keep_to(cores: int) -> None:
    """Before any library starts its threads."""
    os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])


def run(name: str, call: tuple[str, ...], place: Path, *, ends: int = 0) -> None:
    """A command as a user gives it; what it tells is written down."""
    from typer.testing import CliRunner

    from blockout.cli.main import app
    from blockout.report.pictures import model_pictures, survey_pictures
    from blockout.report.tilt_disk import tilt_pictures

    # full pictures take most of the time, and are drawn by the same rays
    for drawn in (model_pictures, survey_pictures, tilt_pictures):
        drawn.__kwdefaults__["size_px"] = (300, 225)
    done = CliRunner().invoke(app, [*call, "--json"])
    if done.exit_code != ends:
        raise SystemExit(f"{name} ended with {done.exit_code}: {done.stderr}")
    (place / f"{name}.json").write_text(done.stdout, encoding="utf-8")


def one_round(place: Path, given: Path) -> None:
    cast, case = str(given / "cast.ply"), str(given / "case.toml")
    tilt = ("--tilt", "4,-2")
    run("build", ("build", cast, *tilt, "--out", str(place / "build")), place)
    run("survey", ("survey", cast, *tilt, "--out", str(place / "survey")), place)
    choice = ("choose-path", case, "--within", "1", "--out", str(place / "choice"))
    run("choose-path", choice, place)
    run("sureness", ("sureness", cast, "--samples", "20", "--seed", "4", *tilt), place)

    scan = place / "build" / "scan.stl"
    moved(place / "build" / "model.stl", scan)
    held = ("compare", str(place / "build"), str(scan), "--no-log")
    run("compare", (*held, "--out", str(place / "compare")), place)
    # metal in the undercut does not go to place
    metal = ("try-in", case, str(given / "framework.stl"), "--unit", "mm")
    run("try-in", (*metal, "--out", str(place / "try-in")), place, ends=1)


def moved(model: Path, scan: Path) -> None:
    """The model as a scanner would give it: somewhere else."""
    import trimesh

    body = trimesh.load_mesh(model)
    about = trimesh.transformations.rotation_matrix(0.4, [1.0, 2.0, 3.0])
    about[:3, 3] = 5.0, -3.0, 8.0
    body.apply_transform(about)
    body.export(scan)


def main() -> None:
    rounds, cores = int(sys.argv[1]), int(sys.argv[2])
    place, given = Path(sys.argv[3]), Path(sys.argv[4])
    keep_to(cores)
    for k in range(rounds):
        folder = place / f"round-{k}"
        folder.mkdir(parents=True)
        one_round(folder, given)
    scan = place / "scan"
    scan.mkdir()
    run("build", ("build", str(SCAN_CASE), "--out", str(scan / "build")), scan)
    threads = len(list(Path("/proc/self/task").iterdir()))
    told = {"cores": len(os.sched_getaffinity(0)), "threads": threads}
    (place / "told.json").write_text(json.dumps(told), encoding="utf-8")


if __name__ == "__main__":
    main()
