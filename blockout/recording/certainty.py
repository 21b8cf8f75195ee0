"""How sure: what a cast that is not put back exactly does to depths, forces, planes and volume.

Each placing of the cast is off its path by two small tilts, independent, normal and alike, whose
angle together stays within the stated repositioning error in 95 of 100 placings (so its angle has
a Rayleigh distribution, and each tilt a standard deviation of the error over
``sqrt(-2 ln 0.05) = 2.448``). Noise of the scan moves each vertex square to the surface, normal
and independent. Placings are drawn with a seed; see :mod:`blockout.recording.tolerance_interval`
for what an interval of so many of them holds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from blockout.arms.arm import Arm
from blockout.arms.mechanics import arm_force
from blockout.case.recording_settings import SurenessSettings
from blockout.case.settings import PathSettings
from blockout.cast.cast import Cast
from blockout.kernel.rays import RayScene
from blockout.mesh import Floats, Mesh, joined
from blockout.progress import Progress, silent
from blockout.recording.air import PLACES, AirBelow
from blockout.recording.guiding import GuidingSurface, lean_deg
from blockout.recording.tolerance_interval import (
    CONFIDENCE,
    COVERAGE,
    confidence_of,
    interval,
    rank_for,
)
from blockout.surveying.depth import OverheadInPlace, undercut_depth_mm
from blockout.surveying.path import InsertionPath, insertion_path
from blockout.surveying.survey import Survey
from blockout.tolerances import TOLERANCES, Tolerances

WITHIN: Final = 0.95
"""Share of placings that are off by no more than the repositioning error."""
TILTS_PER_ERROR: Final = 1.0 / math.sqrt(-2.0 * math.log(1.0 - WITHIN))
"""Standard deviation of each of the two tilts over the repositioning error."""
ASSUMPTIONS: Final = (
    "the path is off by two independent, normal tilts; their angle is within the repositioning "
    "error in 95 of 100 placings",
    "noise of the scan moves each vertex by itself, square to the surface; errors that run "
    "smoothly over the scan, as of a scanner's calibration, are not in it",
    "the terminal stays where it was laid on the tooth, and the arm's force is in proportion to "
    "the depth there",
    "the volume is that under all scanned surface, before zones and windows are left out",
)
_REACH_MM: Final = 3.0
_LOWER_PLACES: Final = 12
_SPACING_MM: Final = 0.2
_BESIDE_MM: Final = 4.0
_WIDEST_TILT_DEG: Final = 60.0


@dataclass(frozen=True)
class Interval:
    """A value at the path that is meant, and what it may be when the cast is put back.

    Parameters
    ----------
    meant : float
    low, high : float
        The interval that holds the stated share of placings with the stated confidence.
    middle : float
        Half of the placings lie on each side.
    """

    meant: float
    low: float
    high: float
    middle: float

    @property
    def width(self) -> float:
        return self.high - self.low


@dataclass(frozen=True)
class ArmCertainty:
    """One arm.

    Parameters
    ----------
    name : str
    tooth : int
    role : str
    depth_mm : Interval
        Undercut depth at a retentive arm's terminal; the deepest along the lower border of a
        reciprocal one, which should lie in none.
    force_n : Interval or None
        At the terminal; None for a reciprocal arm.
    out_of_undercut_share : float
        Share of the placings in which there is no undercut there.
    """

    name: str
    tooth: int
    role: str
    depth_mm: Interval
    force_n: Interval | None
    out_of_undercut_share: float


@dataclass(frozen=True)
class PlaneCertainty:
    """One guiding plane.

    Parameters
    ----------
    name : str
    tooth : int
    aspect : str
    lean_deg : Interval
        Angle between plane and path; negative where the plane would be undercut.
    """

    name: str
    tooth: int
    aspect: str
    lean_deg: Interval


@dataclass(frozen=True, eq=False)
class Sureness:
    """What putting the cast back, and the scan's noise, leave unsure.

    Parameters
    ----------
    repositioning_error_deg, scan_noise_mm : float
    samples, seed : int
    rank : int
        Intervals run from the ``rank``-th least to the ``rank``-th greatest.
    coverage, confidence : float
        Share of placings that an interval holds, and how surely.
    off_deg : (n,) float
        By how much each placing is off.
    arms : tuple of ArmCertainty
    planes : tuple of PlaneCertainty
    volume_mm3 : Interval
        Of the undercut under scanned surface.
    assumptions : tuple of str
    """

    repositioning_error_deg: float
    scan_noise_mm: float
    samples: int
    seed: int
    rank: int
    coverage: float
    confidence: float
    off_deg: Floats
    arms: tuple[ArmCertainty, ...]
    planes: tuple[PlaneCertainty, ...]
    volume_mm3: Interval
    assumptions: tuple[str, ...] = ASSUMPTIONS


def sureness(
    survey: Survey,
    *,
    arms: Sequence[Arm] = (),
    guides: Sequence[GuidingSurface] = (),
    settings: SurenessSettings | None = None,
    volume_places: int = PLACES,
    progress: Progress = silent,
    tolerances: Tolerances = TOLERANCES,
) -> Sureness:
    """Try many placings of a surveyed cast.

    Parameters
    ----------
    survey : Survey
        Along the path that is meant.
    arms : sequence of Arm
        Laid for that survey.
    guides : sequence of GuidingSurface
        As they stand along it; those without a plane are left out.
    settings : SurenessSettings
    volume_places : int
        How many places on the scanned surface the volume is measured from.
    """
    settings = settings or SurenessSettings()
    cast = survey.cast
    noise_mm = cast.noise_mm if settings.scan_noise_mm is None else settings.scan_noise_mm
    rank = rank_for(settings.samples)
    # each kind of draw has a stream of its own: more arms or planes change no other's
    of_path, of_arms, of_planes, of_volume = (
        np.random.default_rng(part) for part in np.random.SeedSequence(settings.seed).spawn(4)
    )
    drawn = of_path.standard_normal((settings.samples, 2))
    paths = _placings(survey, drawn, settings.repositioning_error_deg)
    directions = np.array([path.direction for path in paths])

    progress("reading depths for each placing")
    depths = _depths_mm(cast, arms, [survey.path, *paths], tolerances)
    progress("measuring the undercut for each placing")
    below = AirBelow(cast, places=volume_places, tolerances=tolerances)
    volumes = np.array([below.volume_mm3(d) for d in [survey.path.direction, *directions]])
    volume_noise_mm3 = _volume_noise_mm3(survey, below, noise_mm)
    changes = volumes[1:] - volumes[0]
    changes = changes + volume_noise_mm3 * of_volume.standard_normal(settings.samples)
    return Sureness(
        repositioning_error_deg=settings.repositioning_error_deg,
        scan_noise_mm=noise_mm,
        samples=settings.samples,
        seed=settings.seed,
        rank=rank,
        coverage=COVERAGE,
        confidence=min(CONFIDENCE, confidence_of(settings.samples, rank=rank)),
        off_deg=np.degrees(
            np.arctan2(
                np.linalg.norm(np.cross(directions, survey.path.direction), axis=1),
                directions @ survey.path.direction,
            )
        ),
        arms=tuple(
            _arm(arm, at, noise_mm, of_arms, rank) for arm, at in zip(arms, depths.T, strict=True)
        ),
        planes=tuple(
            _plane(survey, guide, directions, noise_mm, of_planes, rank)
            for guide in guides
            if guide.normal is not None
        ),
        volume_mm3=_interval(survey.volume_mm3, np.maximum(survey.volume_mm3 + changes, 0.0), rank),
    )


def _interval(meant: float, values: Floats, rank: int) -> Interval:
    low, high = interval(values, rank=rank)
    return Interval(meant, low, high, float(np.median(values)))


def _placings(survey: Survey, drawn: Floats, error_deg: float) -> list[InsertionPath]:
    """The path of each placing: turned by the drawn angle about an axis square to it."""
    tilts = np.radians(error_deg) * TILTS_PER_ERROR * drawn
    angle = np.linalg.norm(tilts, axis=1)
    toward = (tilts / np.maximum(angle, 1e-300)[:, None]) @ survey.path.to_path[:2]
    turned = np.cos(angle)[:, None] * survey.path.direction + np.sin(angle)[:, None] * toward
    cast = survey.cast
    return [
        insertion_path(
            cast.frame,
            arch=cast.arch,
            settings=PathSettings(direction=(x, y, z), max_tilt_deg=_WIDEST_TILT_DEG),
        )
        for x, y, z in turned.tolist()
    ]


# --- arms ----------------------------------------------------------------------------------------
def _depths_mm(
    cast: Cast, arms: Sequence[Arm], paths: Sequence[InsertionPath], tolerances: Tolerances
) -> Floats:
    """(n, arms) undercut depth that each arm meets along each path.

    The surface around each arm is set beside that of the others, in a row without much between:
    depths stay what they are, and all are read at once.
    """
    if not arms:
        return np.zeros((len(paths), 0))
    across = paths[0].to_path
    surfaces, rows, owner = [], [], []
    at_mm = 0.0
    for number, arm in enumerate(arms):
        points = _places_of(arm)
        surface = _around(cast, points, paths)
        local = surface.vertices @ across.T
        low, high = local.min(axis=0), local.max(axis=0)
        shift = (np.array([at_mm, 0.0, 0.0]) - low) @ across
        at_mm += float(high[0] - low[0]) + _BESIDE_MM
        surfaces.append(Mesh(surface.vertices + shift, surface.faces))
        rows.append(points + shift)
        owner.append(np.full(len(points), number))
    row, places, of_arm = joined(surfaces), np.concatenate(rows), np.concatenate(owner)
    scene = RayScene(row)
    depths = np.zeros((len(paths), len(arms)))
    for path, depth in zip(paths, depths, strict=True):
        overhead = OverheadInPlace(row, scene, path)
        read = undercut_depth_mm(overhead, places, spacing_mm=_SPACING_MM, tolerances=tolerances)
        np.maximum.at(depth, of_arm, read)
    return depths


def _places_of(arm: Arm) -> Floats:
    """(k, 3) where the arm's depth is asked."""
    if arm.role == "retentive":
        return arm.terminal_mm[None]
    rows = np.linspace(0, len(arm.lower) - 1, min(_LOWER_PLACES, len(arm.lower)))
    places: Floats = arm.lower[np.rint(rows).astype(np.int64)]
    return places


def _around(cast: Cast, points_mm: Floats, paths: Sequence[InsertionPath]) -> Mesh:
    """The scanned surface within a few millimetres of the points as seen along any of the paths:
    what is further away is no wall of a shallower undercut.
    """
    mesh, first = cast.mesh, paths[0].to_path
    spread = max(float(np.linalg.norm(path.direction - paths[0].direction)) for path in paths)
    flat = mesh.vertices @ first[:2].T
    up = mesh.vertices @ first[2]
    reach_mm = _REACH_MM + spread * float((up - (points_mm @ first[2]).min()).max())
    low, high = (points_mm @ first[:2].T).min(axis=0), (points_mm @ first[:2].T).max(axis=0)
    inside = ((flat > low - reach_mm) & (flat < high + reach_mm)).all(axis=1)
    return mesh.part(cast.scanned & inside[mesh.faces].all(axis=1))


def _arm(
    arm: Arm, depths_mm: Floats, noise_mm: float, random: np.random.Generator, rank: int
) -> ArmCertainty:
    """The first depth is that along the path that is meant."""
    meant, tried = float(depths_mm[0]), depths_mm[1:]
    # the surface at the terminal and the height of contour each move by the noise
    moved = noise_mm * math.sqrt(2.0) * random.standard_normal(len(tried))
    tried = np.where(tried > 0.0, np.maximum(tried + moved, 0.0), 0.0)
    force = None
    if arm.role == "retentive":
        per_mm = arm_force(replace(arm, terminal_depth_mm=1.0)).force_n
        force = _interval(per_mm * meant, per_mm * tried, rank)
    return ArmCertainty(
        name=arm.name,
        tooth=arm.tooth,
        role=arm.role,
        depth_mm=_interval(meant, tried, rank),
        force_n=force,
        out_of_undercut_share=float((tried <= 0.0).mean()),
    )


# --- planes and volume ---------------------------------------------------------------------------
def _plane(
    survey: Survey,
    guide: GuidingSurface,
    directions: Floats,
    noise_mm: float,
    random: np.random.Generator,
    rank: int,
) -> PlaneCertainty:
    assert guide.normal is not None
    assert guide.lean_deg is not None
    mesh = survey.cast.mesh
    vertex, corner = np.unique(mesh.faces[guide.face], return_inverse=True)
    faces = corner.reshape(-1, 3)
    outward = mesh.vertex_normals[vertex]
    leans = []
    for direction in directions:
        moved = mesh.vertices[vertex]
        moved = moved + noise_mm * random.standard_normal(len(vertex))[:, None] * outward
        a, b, c = (moved[faces[:, k]] for k in range(3))
        total = np.cross(b - a, c - a).sum(axis=0)
        leans.append(lean_deg(total / np.linalg.norm(total), direction))
    return PlaneCertainty(
        name=guide.name,
        tooth=guide.tooth,
        aspect=guide.aspect,
        lean_deg=_interval(guide.lean_deg, np.array(leans), rank),
    )


def _volume_noise_mm3(survey: Survey, below: AirBelow, noise_mm: float) -> float:
    """Standard deviation of the undercut volume by noise of the scan, to first order: each vertex
    of a ceiling moves its share of the ceiling, each piece of survey line moves the wall under it.
    """
    mesh, direction = survey.cast.mesh, survey.path.direction
    face = survey.ceilings.face
    if noise_mm == 0.0 or not len(face):
        return 0.0
    third_mm2 = mesh.face_areas_mm2[face] / 3.0
    share_mm2 = np.bincount(mesh.faces[face].reshape(-1), np.repeat(third_mm2, 3))
    squares = float((share_mm2**2).sum())
    for line in survey.survey_lines:
        steps = np.diff(line.points_mm, axis=0)
        middle = (line.points_mm[1:] + line.points_mm[:-1]) / 2.0
        wide = np.linalg.norm(steps - np.outer(steps @ direction, direction), axis=1)
        wall_mm2 = wide * below.air_mm(middle, direction)
        squares += float((wall_mm2**2).sum())
    return noise_mm * math.sqrt(squares)
