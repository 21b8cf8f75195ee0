"""A first guess of how a scan lies, wherever it lies and however much of it is missing.

Each of some thousand places is described by how the surface around it bends (how the normals
near it lie to its own: three angles, counted into classes, as Rusu, Blodow and Beetz describe in
Fast point feature histograms for 3D registration, ICRA 2009). Places that look alike on scan and
cast are paired; three pairs whose distances and normals agree make a guess (sample consensus), and
the guesses on which most of the scan comes to lie on the cast are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import cKDTree

from blockout.comparing.pose import Pose, best_turns
from blockout.comparing.sampling import spread_over
from blockout.mesh import Floats, Ints, Mesh

_SPACING_SHARE: Final = 1.0 / 55.0
_REACH_SPACINGS: Final = 4.0
_CLASSES: Final = 11
_SAMPLES_A_CELL: Final = 12
_SAMPLES_MOST: Final = 400_000
_PLACES_MOST: Final = 6000
_ALIKE: Final = 3
_TRIPLES: Final = 300_000
_GUESSES: Final = 2000
_ASKED: Final = 2000
_SEED: Final = 20_011
_NORMALS_COS: Final = 0.75
_SETTLED: Final = 1500
_SETTLING_ROUNDS: Final = 12


@dataclass(frozen=True, eq=False)
class Places:
    """Places on a surface with what it looks like around them.

    Parameters
    ----------
    points_mm, normals : (k, 3) float
    looks : (k, c) float
    spacing_mm : float
        About how far neighbours are apart.
    """

    points_mm: Floats
    normals: Floats
    looks: Floats
    spacing_mm: float

    def thinned(self, most: int) -> Places:
        """At most so many of them, spread evenly."""
        if len(self.points_mm) <= most:
            return self
        some = np.linspace(0, len(self.points_mm) - 1, most).astype(np.int64)
        return Places(self.points_mm[some], self.normals[some], self.looks[some], self.spacing_mm)


@dataclass(frozen=True, eq=False)
class Guess:
    """A first pose and the share of the scan's places that it lays on the cast."""

    pose: Pose
    share: float


def spacing_for(mesh: Mesh) -> float:
    """How far apart places on a cast of this size are looked at: 1.3 mm on an arch of 70 mm."""
    low, high = mesh.bounds_mm
    return float(np.linalg.norm(high - low)) * _SPACING_SHARE


def places_on(mesh: Mesh, *, spacing_mm: float) -> Places:
    """Places about ``spacing_mm`` apart, with normals smoothed over as much."""
    cells = float(mesh.face_areas_mm2.sum()) / spacing_mm**2
    samples = spread_over(mesh, int(min(max(_SAMPLES_A_CELL * cells, 200.0), _SAMPLES_MOST)))
    cell = np.floor((samples.points_mm - samples.points_mm.min(axis=0)) / spacing_mm)
    # the two sides of a thin wall stay apart
    facing = np.argmax(np.abs(samples.normals), axis=1) * 2 + (
        np.take_along_axis(
            samples.normals, np.argmax(np.abs(samples.normals), axis=1)[:, None], axis=1
        )[:, 0]
        > 0.0
    )
    _, of = np.unique(np.column_stack([cell, facing]), axis=0, return_inverse=True)
    of = of.reshape(-1)
    many = np.bincount(of)
    points = _means(samples.points_mm, of, many)
    normals = _means(samples.normals, of, many)
    length = np.linalg.norm(normals, axis=1)
    keep = (many >= _SAMPLES_A_CELL // 4) & (length > 0.3)
    points, normals = points[keep], normals[keep] / length[keep, None]
    looks = _looks(points, normals, reach_mm=_REACH_SPACINGS * spacing_mm)
    return Places(points, normals, looks, spacing_mm).thinned(_PLACES_MOST)


def guesses(scan: Places, cast: Places, *, most: int = 5) -> list[Guess]:
    """The likeliest poses of the scan on the cast, best first, no two alike.

    None where nothing on the scan looks like anything on the cast.
    """
    if min(len(scan.points_mm), len(cast.points_mm)) < 10:
        return []
    one, other = _pairs(scan, cast)
    turns, shifts = _consenting(scan, cast, one, other)
    if not len(turns):
        return []
    counts = _agreeing(scan, cast, one, other, turns, shifts)
    tree = cKDTree(cast.points_mm)
    thinned = scan.thinned(_SETTLED)
    begun: list[Pose] = []
    for i in np.argsort(-counts, kind="stable")[: 20 * most]:
        pose = Pose.of(turns[i], shifts[i])
        if all(_differ(pose, other, thinned) for other in begun):
            begun.append(pose)
        if len(begun) == 2 * most:
            break
    found: list[Guess] = []
    settled = [_settled(thinned, cast, tree, pose) for pose in begun]
    for guess in sorted(settled, key=lambda guess: -guess.share):
        if all(_differ(guess.pose, other.pose, thinned) for other in found):
            found.append(guess)
    return found[:most]


# --- parts ---
def _means(values: Floats, of: Ints, many: Ints) -> Floats:
    return np.column_stack(
        [np.bincount(of, values[:, axis], minlength=len(many)) / many for axis in range(3)]
    )


def _looks(points: Floats, normals: Floats, *, reach_mm: float) -> Floats:
    """(k, 33) classes of three angles between each place and its neighbours, then averaged with
    the neighbours' own, the nearer ones more.
    """
    near = cKDTree(points).query_pairs(reach_mm, output_type="ndarray")
    i = np.concatenate([near[:, 0], near[:, 1]])
    j = np.concatenate([near[:, 1], near[:, 0]])
    offset = points[j] - points[i]
    apart = np.linalg.norm(offset, axis=1)
    line = offset / np.maximum(apart, 1e-12)[:, None]
    u = normals[i]
    v = np.cross(line, u)
    v /= np.maximum(np.linalg.norm(v, axis=1), 1e-12)[:, None]
    w = np.cross(u, v)
    first = np.einsum("ij,ij->i", v, normals[j])
    second = np.einsum("ij,ij->i", u, line)
    third = np.arctan2(np.einsum("ij,ij->i", w, normals[j]), np.einsum("ij,ij->i", u, normals[j]))
    shares = np.stack([(first + 1.0) / 2.0, (second + 1.0) / 2.0, third / (2 * np.pi) + 0.5])
    simple = np.zeros((len(points), 3 * _CLASSES))
    for number, share in enumerate(shares):
        # each angle is shared between the two classes it lies between
        at = np.clip(share * _CLASSES - 0.5, 0.0, _CLASSES - 1.0)
        low = np.minimum(at.astype(np.int64), _CLASSES - 2)
        part = at - low
        for klass, weight in ((low, 1.0 - part), (low + 1, part)):
            np.add.at(simple, (i, number * _CLASSES + klass), weight)
    many = np.bincount(i, minlength=len(points)).astype(np.float64)
    simple /= np.maximum(many, 1.0)[:, None]
    weight = 1.0 / np.maximum(apart, reach_mm / 50.0)
    total = np.zeros_like(simple)
    for column in range(simple.shape[1]):
        total[:, column] = np.bincount(i, weight * simple[j, column], minlength=len(points))
    total /= np.maximum(np.bincount(i, weight, minlength=len(points)), 1e-12)[:, None]
    looks: Floats = simple + total
    return looks


def _pairs(scan: Places, cast: Places) -> tuple[Ints, Ints]:
    """Each place of the scan with the places of the cast that look most like it."""
    # what is common everywhere says little: classes are weighed by how much they vary
    spread = np.maximum(cast.looks.std(axis=0), 0.02)
    tree = cKDTree(cast.looks / spread)
    _, like = tree.query(scan.looks / spread, k=_ALIKE)
    one = np.repeat(np.arange(len(scan.points_mm)), _ALIKE)
    return one, like.reshape(-1)


def _consenting(scan: Places, cast: Places, one: Ints, other: Ints) -> tuple[Floats, Floats]:
    """Poses from threes of pairs whose distances and normals agree."""
    random = np.random.default_rng(_SEED)
    a, b = scan.points_mm[one], cast.points_mm[other]
    na, nb = scan.normals[one], cast.normals[other]
    low, high = cast.points_mm.min(axis=0), cast.points_mm.max(axis=0)
    least_mm = 0.10 * float(np.linalg.norm(high - low))
    three = random.integers(0, len(one), (_TRIPLES, 3))
    fits = np.ones(len(three), dtype=bool)
    for p, q in ((0, 1), (1, 2), (2, 0)):
        i, j = three[fits, p], three[fits, q]
        here, there = a[j] - a[i], b[j] - b[i]
        length = np.linalg.norm(here, axis=1)
        off = np.abs(length - np.linalg.norm(there, axis=1))
        agree = (length > least_mm) & (off < 1.0 * scan.spacing_mm)
        agree &= (
            np.abs(np.einsum("ij,ij->i", na[i], na[j]) - np.einsum("ij,ij->i", nb[i], nb[j])) < 0.35
        )
        fits[fits] = agree
    three = three[fits][:_GUESSES]
    if not len(three):
        return np.zeros((0, 3, 3)), np.zeros((0, 3))
    turns, shifts = best_turns(a[three], b[three])
    # normals tell a guess from its like turned over
    turned = np.einsum("kij,knj->kni", turns, na[three])
    upright = (np.einsum("kni,kni->kn", turned, nb[three]) > _NORMALS_COS).all(axis=1)
    return turns[upright], shifts[upright]


def _agreeing(
    scan: Places, cast: Places, one: Ints, other: Ints, turns: Floats, shifts: Floats
) -> Ints:
    """(k,) how many pairs each pose lays on each other."""
    some_pairs = np.linspace(0, len(one) - 1, min(len(one), _ASKED)).astype(np.int64)
    a, b = scan.points_mm[one[some_pairs]], cast.points_mm[other[some_pairs]]
    counts = np.zeros(len(turns), dtype=np.int64)
    limit = (1.5 * scan.spacing_mm) ** 2
    for begin in range(0, len(turns), 200):
        some = slice(begin, begin + 200)
        moved = np.einsum("kij,nj->kni", turns[some], a) + shifts[some, None]
        moved -= b
        counts[some] = (np.einsum("kni,kni->kn", moved, moved) < limit).sum(axis=1)
    return counts


def _settled(scan: Places, cast: Places, tree: cKDTree, pose: Pose) -> Guess:
    """A few rounds of laying each place on the tangent plane of the nearest one."""
    for reach in np.geomspace(4.0, 1.5, _SETTLING_ROUNDS) * scan.spacing_mm:
        points = pose.points(scan.points_mm)
        apart, near = tree.query(points, distance_upper_bound=reach)
        met = np.flatnonzero(np.isfinite(apart))
        if len(met) < 10:
            return Guess(pose, 0.0)
        at, normal = cast.points_mm[np.asarray(near)[met]], cast.normals[np.asarray(near)[met]]
        facing = np.einsum("ij,ij->i", scan.normals[met] @ pose.turn.T, normal) > 0.5
        met, at, normal = met[facing], at[facing], normal[facing]
        if len(met) < 10:
            return Guess(pose, 0.0)
        middle = at.mean(axis=0)
        off = np.einsum("ij,ij->i", points[met] - at, normal)
        rows = np.column_stack([np.cross(points[met] - middle, normal), normal])
        # a little reluctance keeps a sphere or a plane from sliding about
        scale = np.array([np.linalg.norm(rows[:, :3], axis=1).mean() + 1e-9] * 3 + [1.0] * 3)
        gram = (rows / scale).T @ (rows / scale) + 1e-3 * len(rows) / 6.0 * np.eye(6)
        step = -np.linalg.solve(gram, (rows / scale).T @ off) / scale
        pose = pose.then(step[:3], step[3:], about_mm=middle)
    points = pose.points(scan.points_mm)
    # told by how much of the cast is met: a scan with much besides the cast is no worse for it
    apart, near = tree.query(points, distance_upper_bound=1.5 * scan.spacing_mm)
    met = np.flatnonzero(np.isfinite(apart))
    facing = (
        np.einsum("ij,ij->i", scan.normals[met] @ pose.turn.T, cast.normals[np.asarray(near)[met]])
        > 0.7
    )
    at, normal = cast.points_mm[np.asarray(near)[met]], cast.normals[np.asarray(near)[met]]
    close = np.abs(np.einsum("ij,ij->i", points[met] - at, normal)) < 0.35 * scan.spacing_mm
    share = float((facing & close).sum()) / len(points)
    return Guess(pose, share)


def _differ(one: Pose, other: Pose, scan: Places) -> bool:
    moved = one.points(scan.points_mm) - other.points(scan.points_mm)
    return bool(np.sqrt((moved**2).sum(axis=1).mean()) > 2.0 * scan.spacing_mm)
