"""Write every file of this folder anew: ``python sample_meshes/generate.py``.

The same version of the project writes the same bytes each time.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from blockout.kernel.files import write_ply, write_stl
from blockout.mesh import Mesh
from blockout.samples.arch import closed_cast
from blockout.samples.bodies import cone_on_plate, sphere_on_plate
from blockout.samples.plan import CastPlan
from blockout.samples.scan_like import scan_like
from blockout.samples.scenario import LOWER, UPPER

_SPACING_MM = 0.52
"""Coarser than the generator's default, to keep the files small."""


def _small(plan: CastPlan) -> CastPlan:
    return replace(plan, spacing_mm=_SPACING_MM)


FILES: Mapping[str, Callable[[], Mesh]] = {
    "lower_scan.stl": lambda: scan_like(_small(LOWER.plan)).mesh,
    "lower_closed.ply": lambda: (
        closed_cast(
            replace(
                _small(LOWER.plan), up="+z", front="+y", off_level_deg=(0, 0), shift_mm=(0, 0, 0)
            )
        ).mesh
    ),
    "upper_scan.ply": lambda: scan_like(_small(UPPER.plan)).mesh,
    "sphere_on_plate.stl": sphere_on_plate,
    "cone_on_plate.stl": cone_on_plate,
}


def write_all(folder: Path) -> dict[str, Mesh]:
    """Write all files into ``folder``; returns what was written."""
    made = {name: make() for name, make in FILES.items()}
    for name, mesh in made.items():
        if name.endswith(".stl"):
            write_stl(folder / name, mesh)
        else:
            write_ply(folder / name, mesh)
    return made


def main() -> None:
    parser = argparse.ArgumentParser(description="Write the sample meshes anew.")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent, help="another folder")
    folder = parser.parse_args().out
    for name, mesh in write_all(folder).items():
        size = (folder / name).stat().st_size / 1e6
        print(f"{name}: {mesh.triangle_count} triangles, {size:.2f} MB")


if __name__ == "__main__":
    main()
