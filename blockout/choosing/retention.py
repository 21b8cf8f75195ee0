"""Balanced retention: the undercut that lies where each arm's terminal can be.

A *site* is where one terminal can lie: on its aspect of its tooth near the far line angle, at least
the asked height above the gingival margin. The depth it offers along a path is that of its deepest
place; the arm takes no more than it asks for. Where the case has no retentive arm, every tooth
beside a gap is an abutment with a site on each side, of which the better one counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.spatial import cKDTree

from blockout.arms.alloys import ALLOYS
from blockout.arms.band import tip_share
from blockout.arms.laying import SHORTEST_MM, asked_undercut_mm
from blockout.arms.mechanics import half_round, round_wire, tip_force_n
from blockout.case.arm_settings import ArmSettings, End
from blockout.case.choosing_settings import ChoosingSettings
from blockout.case.prescription import Prescription
from blockout.cast.change import place_of
from blockout.choosing.crown_wall import CrownWall, crown_wall
from blockout.choosing.gauge import deepest_of_groups
from blockout.kernel.rays import RayScene
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh
from blockout.teeth.crowns import Crown, Teeth

Side = Literal["buccal", "lingual"]

_TERMINAL_RAD: Final[tuple[float, float]] = (np.radians(-32.0), np.radians(12.0))
_COLUMNS: Final = 9
_ABOVE_MM: Final = (0.0, 0.3, 0.6, 1.0, 1.5, 2.1, 2.8)
_HEIGHTS: Final = 120
_NEAR_POINT_MM: Final = 1.0
_MOST_NEAR: Final = 40


@dataclass(frozen=True, eq=False)
class Site:
    """Where one terminal can lie.

    Parameters
    ----------
    name : str
        Of the arm, or tooth and side.
    tooth : int
    side : "buccal" or "lingual"
    group : int
        Sites of one group stand for each other: the better one counts.
    asked_mm : float
    points_mm, normals : (k, 3) float
    faces : (j,) int
        The cast's faces among these places: undercut that is wanted.
    length_mm : float
        Of the arm, about: along the crown from line angle to terminal.
    force_n_per_mm : float
    """

    name: str
    tooth: int
    side: Side
    group: int
    asked_mm: float
    points_mm: Floats
    normals: Floats
    faces: Ints
    length_mm: float
    force_n_per_mm: float


@dataclass(frozen=True)
class SiteDepth:
    """What one site offers along a path.

    Parameters
    ----------
    name, tooth, side
    counts : bool
        It is the better one of its group.
    asked_mm, offered_mm : float
        Depth asked for, and that of the deepest place where the terminal can lie.
    force_n : float
        Estimated at the tip, bent by what is used: the offered depth, up to the asked one.
    place_mm : (x, y, z) or None
        The deepest place; None where nothing is undercut.
    """

    name: str
    tooth: int
    side: Side
    counts: bool
    asked_mm: float
    offered_mm: float
    force_n: float
    place_mm: tuple[float, float, float] | None

    @property
    def lacking_mm(self) -> float:
        """How much of the asked depth is not there."""
        return max(self.asked_mm - self.offered_mm, 0.0)


@dataclass(frozen=True)
class Retention:
    """All sites along one path. An arm takes no more depth than it asks for: what a site offers
    beyond that does not unbalance it.

    Parameters
    ----------
    sites : tuple of SiteDepth
    spread_mm : float
        Largest less smallest of what the sites that count lack of the depth asked for: where all
        ask for the same, how far apart the depths are that their arms get.
    spread_n : float
        Largest less smallest of the estimated forces.
    """

    sites: tuple[SiteDepth, ...]
    spread_mm: float
    spread_n: float

    @property
    def counted(self) -> tuple[SiteDepth, ...]:
        return tuple(site for site in self.sites if site.counts)


def sites_of(
    mesh: Mesh,
    prescription: Prescription,
    teeth: Teeth | None,
    settings: ChoosingSettings,
    *,
    abutments: Sequence[tuple[int, End]],
) -> tuple[Site, ...]:
    """The sites of a case.

    Parameters
    ----------
    abutments : sequence of (tooth, end)
        Teeth beside a gap and the end that faces it, for a case without retentive arms.

    Raises
    ------
    InputError
        An arm names a tooth that is not on the cast.
    """
    if teeth is None:
        return ()
    arms = [arm for arm in prescription.arm if arm.role == "retentive"]
    if arms:
        sites = [
            _site(mesh, teeth.crown(arm.tooth), arm, name=arm.title, group=group)
            for group, arm in enumerate(arms)
        ]
    else:
        sites = []
        for group, tooth in enumerate(dict.fromkeys(tooth for tooth, _ in abutments)):
            # a tooth between two gaps can be clasped from either end; the first one is taken
            end = next(end for number, end in abutments if number == tooth)
            for side in ("buccal", "lingual"):
                arm = ArmSettings(
                    tooth=tooth,
                    aspect=side,
                    origin=end,
                    role="retentive",
                    undercut_mm=settings.abutment_undercut_mm,
                )
                sites.append(
                    _site(mesh, teeth.crown(tooth), arm, name=f"{tooth} {side}", group=group)
                )
    return tuple(site for site in sites if site is not None)


def _site(mesh: Mesh, crown: Crown, arm: ArmSettings, *, name: str, group: int) -> Site | None:
    buccal = arm.aspect in ("buccal", "labial")
    wall = crown_wall(mesh, crown, buccal=buccal, far_mesial=arm.origin == "distal")
    if arm.points:
        points, normals = _near_last_point(mesh, crown, arm)
        length_mm = float(np.linalg.norm(np.diff(np.array(arm.points), axis=0), axis=1).sum())
    else:
        points, normals = _window(wall, arm.above_margin_mm)
        length_mm = _arm_length_mm(wall)
    if not len(points):
        return None
    width_mm = arm.width_mm
    section = half_round(width_mm / 2.0) if arm.section == "half-round" else round_wire(width_mm)
    return Site(
        name=name,
        tooth=arm.tooth,
        side="buccal" if buccal else "lingual",
        group=group,
        asked_mm=asked_undercut_mm(arm),
        points_mm=points,
        normals=normals,
        faces=_faces_among(mesh, crown, points),
        length_mm=length_mm,
        force_n_per_mm=tip_force_n(
            section,
            modulus_gpa=ALLOYS[arm.alloy].modulus.value,
            tip_share=tip_share(arm),
            deflection_mm=1.0,
            length_mm=length_mm,
        ),
    )


def _window(wall: CrownWall, above_margin_mm: float) -> tuple[Floats, Floats]:
    """Places near the far line angle, from the lowest that is clear of the margin upward."""
    low, high = wall.heights_mm
    azimuth = wall.line_angle + np.linspace(_TERMINAL_RAD[0], _TERMINAL_RAD[1], _COLUMNS)
    height = np.linspace(low, high, _HEIGHTS)
    places, _ = wall.at(np.repeat(azimuth, _HEIGHTS), np.tile(height, _COLUMNS))
    places = places.reshape(_COLUMNS, _HEIGHTS, 3)
    known = np.isfinite(places[:, :, 0])
    off_mm = np.full(known.shape, np.inf)
    margin = _densely(wall.crown.margin_mm)
    if len(margin):
        off_mm[known] = cKDTree(margin).query(places[known])[0]
    starts = [_lowest_clear(height, known[k], off_mm[k], above_margin_mm) for k in range(_COLUMNS)]
    asked = [
        (azimuth[k], start + above)
        for k, start in enumerate(starts)
        if start is not None
        for above in _ABOVE_MM
        if start + above < high
    ]
    if not asked:
        return np.zeros((0, 3)), np.zeros((0, 3))
    turn, tall = np.array(asked).T
    points, normals = wall.at(turn, tall)
    met = np.isfinite(points[:, 0])
    return points[met], normals[met]


def _lowest_clear(
    height: Floats,
    known: np.ndarray[tuple[int, ...], np.dtype[np.bool_]],
    off_mm: Floats,
    clear_mm: float,
) -> float | None:
    """Lowest height above which the wall keeps clear of the margin, between the rows; None where
    there is no wall so high.
    """
    near = np.flatnonzero(known & (off_mm < clear_mm))
    row = 0 if not len(near) else int(near[-1]) + 1
    while row < len(height) and not known[row]:
        row += 1
    if row >= len(height):
        return None
    if row == 0 or not known[row - 1]:
        return float(height[row])
    below, above = off_mm[row - 1], off_mm[row]
    share = (clear_mm - below) / max(float(above - below), 1e-9)
    return float(height[row - 1] + np.clip(share, 0.0, 1.0) * (height[row] - height[row - 1]))


def _densely(margin_mm: Floats) -> Floats:
    """The margin with points so close that distances to it are good to a micron."""
    if not len(margin_mm):
        return margin_mm
    ring = np.concatenate([margin_mm, margin_mm[:1]])
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))]
    at = np.arange(0.0, along[-1], 0.05)
    return np.stack([np.interp(at, along, ring[:, axis]) for axis in range(3)], axis=1)


def _arm_length_mm(wall: CrownWall) -> float:
    """From line angle to line angle round the aspect, at mid height; no shorter than an arm that
    can bend.
    """
    middle = float(wall.heights_mm.mean())
    azimuth = np.linspace(-wall.line_angle, wall.line_angle, 40)
    places, _ = wall.at(azimuth, np.full(40, middle))
    places = places[np.isfinite(places[:, 0])]
    return max(float(np.linalg.norm(np.diff(places, axis=0), axis=1).sum()), SHORTEST_MM)


def _near_last_point(mesh: Mesh, crown: Crown, arm: ArmSettings) -> tuple[Floats, Floats]:
    """Places about the tip of an arm that was drawn by hand."""
    keep = np.zeros(mesh.triangle_count, dtype=bool)
    keep[crown.face] = True
    own = mesh.part(keep)
    tip = nearest_places(own, np.array([arm.points[-1]]))
    off_mm = np.linalg.norm(own.face_centres - tip.points_mm[0], axis=1)
    near = np.flatnonzero(off_mm < _NEAR_POINT_MM)
    near = near[:: max(1, len(near) // _MOST_NEAR)]
    points = np.concatenate([tip.points_mm, own.face_centres[near]])
    return points, np.concatenate([own.face_normals[tip.face], own.face_normals[near]])


def _faces_among(mesh: Mesh, crown: Crown, points_mm: Floats) -> Ints:
    """The crown's faces within the reach of the places."""
    off_mm = cKDTree(points_mm).query(mesh.face_centres[crown.face])[0]
    faces: Ints = crown.face[off_mm < 0.5]
    return faces


def read_retention(
    surface: RayScene, sites: Sequence[Site], directions: Floats
) -> list[Retention | None]:
    """What the sites offer along each of several paths (t, 3); None where there are no sites."""
    count = len(directions)
    if not sites:
        return [None] * count
    points = np.concatenate([site.points_mm for site in sites])
    normals = np.concatenate([site.normals for site in sites])
    site_of = np.repeat(np.arange(len(sites)), [len(site.points_mm) for site in sites])
    path = np.repeat(np.arange(count), len(points))
    depth, at = deepest_of_groups(
        surface,
        np.tile(points, (count, 1)),
        np.tile(normals, (count, 1)),
        directions[path],
        path * len(sites) + np.tile(site_of, count),
        count=count * len(sites),
    )
    found: list[Retention | None] = []
    for k in range(count):
        own = slice(k * len(sites), (k + 1) * len(sites))
        places = [
            place_of(points[number % len(points)]) if number >= 0 else None
            for number in at[own].tolist()
        ]
        found.append(_side_by_side(sites, depth[own].tolist(), places))
    return found


def _side_by_side(
    sites: Sequence[Site],
    offered: Sequence[float],
    places: Sequence[tuple[float, float, float] | None],
) -> Retention:
    best: dict[int, int] = {}
    for k, site in enumerate(sites):
        if site.group not in best or offered[k] > offered[best[site.group]]:
            best[site.group] = k
    counting = set(best.values())
    found = tuple(
        SiteDepth(
            name=site.name,
            tooth=site.tooth,
            side=site.side,
            counts=k in counting,
            asked_mm=site.asked_mm,
            offered_mm=offered[k],
            force_n=site.force_n_per_mm * min(offered[k], site.asked_mm),
            place_mm=places[k],
        )
        for k, site in enumerate(sites)
    )
    lacking = [site.lacking_mm for site in found if site.counts]
    forces = [site.force_n for site in found if site.counts]
    return Retention(found, max(lacking) - min(lacking), max(forces) - min(forces))
