"""Lay a scan on the cast by the surface that carries no wax, and say how well that is known.

A first guess comes from :mod:`~blockout.comparing.coarse`. Then points spread over the scan are
drawn onto the tangent planes of the exactly nearest places on the wax-free cast, again and again
(iterative closest point, point to plane: Chen and Medioni 1992), each weighed down the further it
stays off (Tukey's biweight on a scale read from the median), so that wax, base, other parts, chips
and noise do not pull. Points whose nearest place is at the edge of the wax-free surface say
nothing and are left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from blockout.case.comparing_settings import CompareSettings
from blockout.comparing.coarse import Guess, guesses, places_on, spacing_for
from blockout.comparing.pose import Pose
from blockout.comparing.sampling import Samples, spread_over
from blockout.errors import InputError
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Bools, Floats, Mesh

_SURE_SHARE: Final = 0.3
"""A first guess that lays less of a scan on the cast may be luck: its other side is tried too."""
_ROUGH_POINTS: Final = 5_000
_FINE_POINTS: Final = 16_000
_MEASURED_POINTS: Final = 20_000
_ROUGH_REACHES_MM: Final = (2.0, 1.2, 0.8, 0.6, 0.5)
_FINE_REACH_MM: Final = 0.5
_FINE_ROUNDS: Final = 30
_STILL_MM: Final = 1e-6
_STILL_SHARE: Final = 1e-3
"""Of the median distance: the pose is still when it moves by less."""
_FACED_MM: Final = 3.0
_AGREE_MM: Final = 0.25
"""Surface off by less than what is allowed within a tooth may be that of the same cast."""
_TUKEY: Final = 4.685
_MEDIAN_TO_SIGMA: Final = 1.4826
_SCALE_LEAST_MM: Final = 0.002
_FACING_COS: Final = 0.5
_CELL_MM: Final = 3.0
_LEAST_POINTS: Final = 60


@dataclass(frozen=True, eq=False)
class Fit:
    """How a scan lies on the cast, and how well that is known.

    Parameters
    ----------
    pose : Pose
        The scan's coordinates (mm) to the cast's.
    rms_mm : float
        Root mean square of the distances between the wax-free cast and the scan where it covers
        it, those beyond 4.7 standard deviations (of the median) left out.
    p95_mm : float
        The 95th percentile of their sizes.
    bias_mm : float
        Their mean; positive where the scan stands out.
    all_rms_mm : float
        The same root over all places covered, none left out.
    kept_share : float
        Of the wax-free surface that the scan faces, the share off by less than 0.25 mm. Surface
        whose nearest place on an open scan is at its border, or more than 3 mm away, is not faced:
        the scan ends there.
    covered_share : float
        Share of the wax-free surface that the scan covers, by area.
    turn_sigma_deg, shift_sigma_mm : float
        Standard uncertainties: of the turn about its least certain axis, and of the place of the
        middle of the wax-free surface in its least certain direction. From the scatter of the
        residuals, those within 3 mm taken as one (a cluster-robust covariance), since
        the errors of scanners and printers go together over such distances.
    points : int
        Points of the scan that were used.
    """

    pose: Pose
    rms_mm: float
    p95_mm: float
    bias_mm: float
    all_rms_mm: float
    kept_share: float
    covered_share: float
    turn_sigma_deg: float
    shift_sigma_mm: float
    points: int

    def trouble(self, limits: CompareSettings, *, moved: bool = True) -> list[str]:
        """What keeps it from being believed, measured against its limits; empty for a good fit.

        How well the pose is known counts only where the scan was ``moved``.
        """
        said = []
        if self.rms_mm > limits.fit_rms_mm:
            said.append(
                f"it stays off by {self.rms_mm:.3f} mm (RMS), limit {limits.fit_rms_mm:.3f} mm"
            )
        if self.kept_share < limits.fit_kept_share:
            said.append(
                f"{100 * self.kept_share:.0f} % of the surface it faces fits, limit "
                f"{100 * limits.fit_kept_share:.0f} %"
            )
        if self.covered_share < limits.fit_covered_share:
            said.append(
                f"it covers {100 * self.covered_share:.0f} % of the surface that carries no wax, "
                f"limit {100 * limits.fit_covered_share:.0f} %"
            )
        if moved and self.turn_sigma_deg > limits.fit_turn_deg:
            said.append(
                f"its turn is known to {self.turn_sigma_deg:.3f} deg, limit "
                f"{limits.fit_turn_deg:g} deg"
            )
        if moved and self.shift_sigma_mm > limits.fit_shift_mm:
            said.append(
                f"its place is known to {self.shift_sigma_mm:.3f} mm, limit "
                f"{limits.fit_shift_mm:g} mm"
            )
        return said


@dataclass(frozen=True, eq=False)
class Target:
    """What scans are laid on.

    Parameters
    ----------
    free : Mesh
        The cast's scanned surface that carries no wax.
    seen : Mesh
        What the scan should look like, wax included and base left out: only for the first guess.
    """

    free: Mesh
    seen: Mesh


def align(scan: Mesh, target: Target, *, limits: CompareSettings, name: str = "the scan") -> Fit:
    """The pose in which a scan fits the wax-free cast best, wherever it lies.

    Raises
    ------
    InputError
        Nothing on the scan looks like the cast, or the best fit breaks a limit: another cast, a
        mirror image, another unit, or too little of the cast.
    """
    found = best_fit(scan, target)
    trouble = ["nothing on it looks like the cast"] if found is None else found.trouble(limits)
    if trouble or found is None:
        mirror = best_fit(mirror_image(scan), target)
        is_mirrored = mirror is not None and not mirror.trouble(limits)
        raise _refused(trouble, name, mirrored=is_mirrored)
    return found


def best_fit(scan: Mesh, target: Target) -> Fit | None:
    """The best fit that can be found, good or bad; None where there is nothing to begin with."""
    spacing_mm = spacing_for(target.seen)
    seen = places_on(target.seen, spacing_mm=spacing_mm)
    begun: list[Guess] = []
    for way in (scan, scan.reversed()):
        found = guesses(places_on(way, spacing_mm=spacing_mm), seen)
        if found and (not begun or found[0].share > begun[0].share):
            begun = found
        if begun and begun[0].share > _SURE_SHARE:
            break
    likely = [guess for guess in begun[:3] if guess.share > 0.6 * begun[0].share]
    fits = [refine(scan, target.free, guess.pose) for guess in likely]
    good = [fit for fit in fits if fit is not None]
    return min(good, key=_badness, default=None)


def in_place(scan: Mesh, target: Target, *, limits: CompareSettings, name: str = "the scan") -> Fit:
    """The fit of a scan that is said to lie on the cast already: nothing is moved.

    Raises
    ------
    InputError
        It does not lie there.
    """
    found = _measured(scan, target.free, Pose.stay(), _used(scan, target.free, Pose.stay()))
    trouble = (
        ["nothing of it lies near the cast"]
        if found is None
        else found.trouble(limits, moved=False)
    )
    if trouble or found is None:
        raise InputError(
            f"{name} does not lie on the cast as it is",
            measured="; ".join(trouble),
            fix="Leave out --in-place, so that it is laid on the cast first.",
        )
    return found


def mirror_image(mesh: Mesh) -> Mesh:
    """The mesh seen in a mirror, outside out."""
    return Mesh(mesh.vertices * [-1.0, 1.0, 1.0], mesh.faces[:, ::-1])


def refine(scan: Mesh, free: Mesh, start: Pose) -> Fit | None:
    """Lay the scan on the wax-free surface, from a pose that is a few millimetres off at most.

    None where too few points meet.
    """
    pose = start
    rough = spread_over(scan, _ROUGH_POINTS)
    for reach_mm in _ROUGH_REACHES_MM:
        for _ in range(4):
            used = _meeting(rough, free, pose, reach_mm)
            if used is None:
                return None
            pose, moved_mm = _step(pose, used)
            if moved_mm < 1e-4:
                break
    near = _near_faces(scan, free, pose)
    fine = spread_over(scan.part(near), _FINE_POINTS) if near.any() else rough
    for _ in range(_FINE_ROUNDS):
        used = _meeting(fine, free, pose, _FINE_REACH_MM)
        if used is None:
            return None
        pose, moved_mm = _step(pose, used)
        if moved_mm < max(_STILL_MM, _STILL_SHARE * float(np.median(np.abs(used.off_mm)))):
            break
    return _measured(scan, free, pose, _meeting(fine, free, pose, _FINE_REACH_MM))


# --- parts ---
@dataclass(frozen=True, eq=False)
class _Used:
    """Points of the scan that meet the wax-free surface: ``off_mm`` (k,) along ``normals``."""

    points_mm: Floats
    normals: Floats
    off_mm: Floats
    weights: Floats


def _meeting(samples: Samples, free: Mesh, pose: Pose, reach_mm: float) -> _Used | None:
    points = pose.points(samples.points_mm)
    near = nearest_places(free, points)
    normal = free.face_normals[near.face]
    sided = np.einsum("ij,ij->i", samples.normals @ pose.turn.T, normal)
    keep = (near.distance_mm < reach_mm) & ~border_faces(free)[near.face]
    if (sided[keep] < 0.0).sum() > keep.sum() / 2:  # a scan whose outside is turned in
        sided = -sided
    keep &= sided > _FACING_COS
    if keep.sum() < _LEAST_POINTS:
        return None
    off = np.einsum("ij,ij->i", points[keep] - near.points_mm[keep], normal[keep])
    # mid-way between neighbouring facets the distance is the slant one
    off = np.where(off < 0.0, -1.0, 1.0) * near.distance_mm[keep]
    return _Used(points[keep], normal[keep], off, _tukey(off))


def _tukey(off_mm: Floats) -> Floats:
    limit = _TUKEY * max(_MEDIAN_TO_SIGMA * float(np.median(np.abs(off_mm))), _SCALE_LEAST_MM)
    weights: Floats = np.where(np.abs(off_mm) < limit, (1.0 - (off_mm / limit) ** 2) ** 2, 0.0)
    return weights


def border_faces(mesh: Mesh) -> Bools:
    """(m,) faces with a corner on the open border of a surface."""
    border = np.zeros(len(mesh.vertices), dtype=bool)
    open_edges = mesh.halfedges[mesh.twin_halfedges < 0]
    border[open_edges.reshape(-1)] = True
    return np.asarray(border[mesh.faces].any(axis=1))


def _rows(used: _Used) -> tuple[Floats, Floats, float]:
    """Lever arms (k, 6) about the middle, the middle, and the mean lever, mm."""
    middle = used.points_mm.mean(axis=0)
    arm = used.points_mm - middle
    lever = float(np.sqrt((arm**2).sum(axis=1).mean()))
    return np.column_stack([np.cross(arm, used.normals) / lever, used.normals]), middle, lever


def _step(pose: Pose, used: _Used) -> tuple[Pose, float]:
    rows, middle, lever = _rows(used)
    weighted = rows * used.weights[:, None]
    gram = rows.T @ weighted
    # directions in which nothing holds the scan are not moved along
    value, vector = np.linalg.eigh(gram)
    held = value > 1e-6 * value[-1]
    push = vector.T @ (weighted.T @ used.off_mm)
    step = -(vector[:, held] @ (push[held] / value[held]))
    moved = pose.then(step[:3] / lever, step[3:], about_mm=middle)
    return moved, float(np.linalg.norm(step))


def _near_faces(scan: Mesh, free: Mesh, pose: Pose) -> Bools:
    centres = pose.points(scan.face_centres)
    near: Bools = nearest_places(free, centres).distance_mm < 2.0 * _FINE_REACH_MM
    return near


def _used(scan: Mesh, free: Mesh, pose: Pose) -> _Used | None:
    near = _near_faces(scan, free, pose)
    if not near.any():
        return None
    return _meeting(spread_over(scan.part(near), _FINE_POINTS), free, pose, _FINE_REACH_MM)


def _measured(scan: Mesh, free: Mesh, pose: Pose, used: _Used | None) -> Fit | None:
    """The distances from the cast's side: what of the wax-free surface the scan covers."""
    if used is None:
        return None
    samples = spread_over(free, _MEASURED_POINTS)
    # asked in the scan's coordinates, so that its search tree is used for every pose
    back = (samples.points_mm - pose.shift_mm) @ pose.turn
    near = nearest_places(scan, back)
    normal = scan.face_normals[near.face]
    sided = np.einsum("ij,ij->i", normal, samples.normals @ pose.turn)
    faces_in = float(np.median(sided)) < 0.0
    faced = ~border_faces(scan)[near.face]
    if (scan.twin_halfedges < 0).any():
        faced &= near.distance_mm < _FACED_MM
    covered = faced & (near.distance_mm < 2.0 * _FINE_REACH_MM)
    covered &= (-sided if faces_in else sided) > _FACING_COS
    if covered.sum() < _LEAST_POINTS:
        return None
    outward = samples.normals[covered] @ pose.turn
    over = np.einsum("ij,ij->i", near.points_mm[covered] - back[covered], outward)
    off = np.where(over < 0.0, -1.0, 1.0) * near.distance_mm[covered]
    scale = max(_MEDIAN_TO_SIGMA * float(np.median(np.abs(off))), _SCALE_LEAST_MM)
    kept = np.abs(off) < _TUKEY * scale
    turn_deg, shift_mm = _uncertainty(used)
    return Fit(
        pose=pose,
        rms_mm=float(np.sqrt((off[kept] ** 2).mean())),
        p95_mm=float(np.percentile(np.abs(off[kept]), 95.0)),
        bias_mm=float(off[kept].mean()),
        all_rms_mm=float(np.sqrt((off**2).mean())),
        kept_share=float((np.abs(off) < _AGREE_MM).sum() / faced.sum()),
        covered_share=float(covered.mean()),
        turn_sigma_deg=turn_deg,
        shift_sigma_mm=shift_mm,
        points=int((used.weights > 0.0).sum()),
    )


def _uncertainty(used: _Used) -> tuple[float, float]:
    """Standard uncertainty of the turn, deg, and of the shift, mm, each in its worst direction."""
    rows, _, lever = _rows(used)
    weighted = rows * used.weights[:, None]
    gram = rows.T @ weighted
    value = np.linalg.eigvalsh(gram)
    if value[0] < 1e-6 * value[-1]:
        return math.inf, math.inf
    cells = np.floor((used.points_mm - used.points_mm.min(axis=0)) / _CELL_MM).astype(np.int64)
    _, of = np.unique(cells, axis=0, return_inverse=True)
    of = of.reshape(-1)
    pull = weighted * used.off_mm[:, None]
    sums = np.column_stack([np.bincount(of, pull[:, k]) for k in range(6)])
    inverse = np.linalg.inv(gram)
    count = len(sums)
    covariance = inverse @ (sums.T @ sums) @ inverse * (count / max(count - 6, 1))
    turn = math.sqrt(max(float(np.linalg.eigvalsh(covariance[:3, :3])[-1]), 0.0)) / lever
    shift = math.sqrt(max(float(np.linalg.eigvalsh(covariance[3:, 3:])[-1]), 0.0))
    return math.degrees(turn), shift


def _badness(fit: Fit) -> float:
    """Less is better: a close fit of much of what is covered."""
    return (fit.rms_mm + 0.01) / max(fit.kept_share * math.sqrt(fit.covered_share), 1e-6)


def _refused(trouble: list[str], name: str, *, mirrored: bool) -> InputError:
    if mirrored:
        return InputError(
            f"{name} is a mirror image of the cast",
            measured="; ".join(trouble) + "; its mirror image fits",
            fix="Export it again without mirroring; an upper scan is not a lower one turned over.",
        )
    return InputError(
        f"{name} cannot be laid on the cast",
        measured="; ".join(trouble),
        fix="Check that it is a scan of this cast and say its unit with --unit; raise a limit in "
        "[compare] of the case file only if this is as close as it can be.",
    )
