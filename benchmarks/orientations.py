"""How much the cast depends on how the scan lies in its file.

    python benchmarks/orientations.py scan.ply [--arch upper] [--every 4] [--flipped] [--metres]

The scan is turned into each of the 24 axis orientations, on request also with every face wound the
other way or with its coordinates in metres, and prepared anew. Each cast is turned back and held
against the one of the scan as it is. Printed for each: the largest distance from a vertex to its
nearest in the other cast (both ways), how many faces differ, and how far the cast frame is off.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from blockout.case.settings import PrepareSettings
from blockout.cast.cast import Cast
from blockout.cast.prepare import prepare
from blockout.cast.scan import Scan, read_scan
from blockout.errors import BlockoutError
from blockout.mesh import Floats, Ints, Mesh
from blockout.units import MM_PER_UNIT


def axis_turns() -> Iterator[Floats]:
    """The 24 rotations (3, 3) that take axes to axes; the first one turns nothing.

    >>> turns = list(axis_turns())
    >>> len(turns), sum(float(np.trace(turn)) for turn in turns)
    (24, 0.0)
    """
    for order in itertools.permutations(range(3)):
        for signs in itertools.product((1.0, -1.0), repeat=3):
            turn = np.zeros((3, 3))
            turn[range(3), order] = signs
            if np.linalg.det(turn) > 0.0:
                yield turn


def turned_scan(scan: Scan, turn: Floats, *, flipped: bool, metres: bool) -> Scan:
    """The scan as it would be read from a file in which it lies otherwise."""
    vertices = scan.mesh.vertices @ turn.T
    if metres:
        # once to metres and once back, as writing and reading do
        vertices = (vertices / MM_PER_UNIT["m"]) * MM_PER_UNIT["m"]
    faces = scan.mesh.faces[:, ::-1] if flipped else scan.mesh.faces
    return replace(scan, mesh=Mesh(vertices, faces))


def deviation(cast: Cast, turn: Floats, plain: Cast) -> tuple[float, int, float, float]:
    """Largest vertex distance in mm, faces that differ, angle in degrees and shift in mm of the
    frame, of a cast turned back against the plain one.
    """
    points, true = cast.mesh.vertices @ turn, plain.mesh.vertices
    far_mm, at = cKDTree(true).query(points)
    back_mm, _ = cKDTree(points).query(true)
    ours = set(map(bytes, _from_lowest(at[cast.mesh.faces])))
    theirs = set(map(bytes, _from_lowest(plain.mesh.faces)))
    frame = turn.T @ cast.frame.matrix[:3]
    between = frame[:, :3].T @ plain.frame.matrix[:3, :3]
    sine, cosine = np.linalg.norm(between - between.T) / 8**0.5, (np.trace(between) - 1.0) / 2.0
    angle_deg = float(np.degrees(np.arctan2(sine, cosine)))
    shift_mm = float(np.linalg.norm(frame[:, 3] - plain.frame.matrix[:3, 3]))
    return float(max(far_mm.max(), back_mm.max())), len(ours ^ theirs), angle_deg, shift_mm


def _from_lowest(faces: Ints) -> Ints:
    order = (faces.argmin(axis=1)[:, None] + np.arange(3)) % 3
    return np.take_along_axis(faces, order, axis=1)


def main() -> None:
    """Prepare the scan in all its orientations and print what differs."""
    ask = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    ask.add_argument("scan", type=Path)
    ask.add_argument("--arch", choices=("lower", "upper"), default="lower")
    ask.add_argument("--every", type=int, default=1, help="only every n-th of the 24")
    ask.add_argument("--flipped", action="store_true", help="each also wound the other way")
    ask.add_argument("--metres", action="store_true", help="each also in metres")
    asked = ask.parse_args()
    settings = PrepareSettings(arch=asked.arch)
    scan = read_scan(asked.scan)
    began = time.perf_counter()
    plain = prepare(scan, settings=settings).cast
    print(f"{scan.source.name}: cast of {plain.mesh.triangle_count} triangles, "
          f"{time.perf_counter() - began:.1f} s")  # fmt: skip
    ways = [(False, False)]
    ways += [(True, False)] if asked.flipped else []
    ways += [(False, True)] if asked.metres else []
    print("turn                  flipped unit   vertices mm  faces off  frame deg  shift mm      s")
    worst: list[tuple[float, int, float, float]] = []
    refused = 0
    for turn, (flipped, metres) in itertools.product(
        itertools.islice(axis_turns(), 0, None, asked.every), ways
    ):
        said = " ".join("+-"[int(row.sum() < 0)] + "xyz"[int(np.abs(row).argmax())] for row in turn)
        head = f"{said:20}  {'yes' if flipped else 'no':7} {'m' if metres else 'mm':4}"
        began = time.perf_counter()
        try:
            cast = prepare(
                turned_scan(scan, turn, flipped=flipped, metres=metres), settings=settings
            ).cast
        except BlockoutError as error:
            refused += 1
            print(f"{head}  refused: {error}", flush=True)
            continue
        found = deviation(cast, turn, plain)
        worst.append(found)
        print(f"{head}   {found[0]:11.3g}  {found[1]:9d}  {found[2]:9.2g}  {found[3]:8.2g}  "
              f"{time.perf_counter() - began:5.1f}", flush=True)  # fmt: skip
    if worst:
        far_mm, faces, angle_deg, shift_mm = np.array(worst).max(axis=0)
        print(f"largest: {far_mm:.3g} mm, {int(faces)} faces, {angle_deg:.2g} degrees, "
              f"{shift_mm:.2g} mm; {refused} refused")  # fmt: skip


if __name__ == "__main__":
    main()
