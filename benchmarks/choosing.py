"""Choosing the path: time of a thousand tilts, memory, and the search against a full scan.

    python benchmarks/choosing.py                   # a cast of the project's own generator, 160 k
    python benchmarks/choosing.py case.toml ...     # these cases instead
    python benchmarks/choosing.py --facets          # the scan asks every facet, not a sample

The unit is one union of the cast with a copy of itself turned by 7 degrees, the least of three,
timed before and after, since other work on the machine comes and goes. The scan tries every tilt of
a grid of triangles with sides of one degree, and the rim, all four factors at each; the search is
what ``blockout choose-path`` does. Each case runs in a process of its own, so that its peak memory
is its own. "Scan over search" is the best total of the scan over that of the search, both asked at
the same places: over 1 the scan found better.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from peak import peak_mb

SPACING_MM = 0.335
STEP_DEG = 1.0
REPEATS = 3
MISSING = (36, 37, 45, 46)


def make_case(folder: Path) -> Path:
    """A closed sample cast with its teeth counted from one, two arms and a bar, as a case file."""
    from stages import make_cast

    from blockout.case.case import Case, CastSettings
    from blockout.case.edit import write_case
    from blockout.samples.arch import closed_cast
    from blockout.samples.plan import CastPlan

    make_cast(folder / "cast.ply", SPACING_MM, 0.0)
    sample = closed_cast(CastPlan(arch="lower", missing=MISSING, spacing_mm=0.8))
    place = sample.tooth(44)
    top = place.neck_mm + place.axis * place.crown.form.height_mm
    point = sample.frame.points_to_file(top)
    teeth = {
        "tooth": ({"number": 44, "point_mm": tuple(float(value) for value in point)},),
        "missing": MISSING,
        "count_along_arch": True,
    }
    case = Case(cast=CastSettings(file="cast.ply"), teeth=teeth)
    write_case(folder / "case.toml", case)
    return folder / "case.toml"


def measure(path: Path, *, facets: bool) -> dict[str, float]:
    """One case: seconds, peak of this process in MB, and how search and scan compare."""
    from blockout.case.case import read_case
    from blockout.case.settings import PrepareSettings
    from blockout.choosing.choose import choose_path
    from blockout.choosing.factors import measure as measure_tilts
    from blockout.choosing.factors import score
    from blockout.choosing.ground import choosing_ground
    from blockout.choosing.tilts import LEVEL, hexagons, rim
    from blockout.job import load_cast
    from blockout.teeth.named import teeth_of

    case = read_case(path)
    asked = PrepareSettings.model_validate(
        case.cast.model_dump(exclude_unset=True, exclude={"file", "unit"})
    )
    cast = load_cast(case.cast_file(path), settings=asked).cast
    teeth = teeth_of(cast, case.teeth)
    begun = time.perf_counter()
    ground = choosing_ground(cast, prescription=case, teeth=teeth)
    prepared = time.perf_counter()
    choice = choose_path(ground)
    chosen = time.perf_counter()

    asking = ground if facets else ground.sampled()
    within_deg = ground.settings.within_deg
    tilts = [*hexagons(within_deg, STEP_DEG), *rim(within_deg, STEP_DEG)]
    level = measure_tilts(asking, [LEVEL])[0]
    scan_begun = time.perf_counter()
    scores = [
        score(found, level, ground.settings)
        for k in range(0, len(tilts), 16)
        for found in measure_tilts(asking, tilts[k : k + 16])
    ]
    scanned = time.perf_counter()
    best = max(scores, key=lambda found: found.total)
    ours = choice.ranking.best.tilt if facets else choice.searched.best.tilt
    found = score(measure_tilts(asking, [ours])[0], level, ground.settings)
    most_mb = peak_mb()

    return {
        "triangles": cast.mesh.triangle_count,
        "places": len(asking.places.points_mm),
        "factors": len(found.marks),
        "prepare_s": prepared - begun,
        "thousand_tilts_s": 1000.0 * (scanned - scan_begun) / len(tilts),
        "choose_s": chosen - prepared,
        "tried": len(choice.searched.scores),
        "peak_mb": most_mb,
        "search_total": found.total,
        "scan_total": best.total,
        "volume_error_share": choice.sampling_error_share,
        "total_error_points": choice.sampling_error_points,
    }


def unit_s(path: Path) -> float:
    """Seconds of one union of the case's cast with itself turned, the least of three."""
    from blockout.case.case import read_case
    from blockout.job import load_cast
    from blockout.kernel.solids import Solid

    cast = load_cast(read_case(path).cast_file(path)).cast
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
    return min(units)


def row(name: str, result: dict[str, float]) -> str:
    """One line of the table."""
    unit_s = result["unit_s"]
    return (
        f"| {name} | {result['triangles'] / 1000:.0f} k | {result['places'] / 1000:.0f} k | "
        f"{result['factors']} | {unit_s:.2f} | {result['thousand_tilts_s'] / unit_s:.0f} | "
        f"{result['choose_s'] / unit_s:.0f} | {result['tried']} | {result['peak_mb']:.0f} | "
        f"{result['scan_total'] / result['search_total']:.4f} | "
        f"{100 * result['volume_error_share']:.2f} | {result['total_error_points']:.2f} |"
    )


def main() -> None:
    """Measure and print a table."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("cases", type=Path, nargs="*")
    ask.add_argument("--facets", action="store_true", help="ask every facet in the scan")
    ask.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    ask.add_argument("--unit-of", type=Path, help=argparse.SUPPRESS)
    asked = ask.parse_args()
    if asked.child is not None:
        print(json.dumps(measure(asked.child, facets=asked.facets)))
        return
    if asked.unit_of is not None:
        print(json.dumps(unit_s(asked.unit_of)))
        return
    print(
        "| case | triangles | places | factors | unit, s | 1000 tilts, units | search, units | "
        "tilts tried | peak, MB | scan over search | volume error, % | total error, points |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        for case in asked.cases or [make_case(Path(folder))]:
            before = told("--unit-of", str(case))
            result = told("--child", str(case), *(["--facets"] if asked.facets else []))
            after = told("--unit-of", str(case))
            result["unit_s"] = (before + after) / 2.0
            print(row(case.parent.name if asked.cases else "sample", result), flush=True)


def told(*arguments: str) -> Any:
    """What this file prints, run in a process of its own."""
    command = [sys.executable, __file__, *arguments]
    return json.loads(subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True).stdout)


if __name__ == "__main__":
    main()
