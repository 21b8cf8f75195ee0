"""One path only: the directions in which a rigid framework can leave what it touches.

A rigid body that touches a surface with outward normal n can start to move along d only where
``n . d >= 0``. All contacts together leave a cone of directions, bounded by planes: a convex
polygon on the sphere of directions, found here exactly by cutting a half sphere with one plane
after another (own derivation; no more than linear inequalities). Guiding planes that face each
other leave an arc, planes that face three ways one direction: one path only.

The half sphere is that about the path: a framework that goes down along the path does not leave
to below. What is told is a first, small movement; further out other surfaces may come in the way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.optimize import nnls

from blockout.errors import InputError
from blockout.mesh import Bools, Floats, Ints

ConeKind = Literal["cone", "arc", "one direction", "none"]

_EPS: Final = 1e-9
"""Sine of an angle that is none: 6e-8 degree."""
_HORIZON: Final = -1
_MOST_EDGES: Final = 64


@dataclass(frozen=True, eq=False)
class Contact:
    """A surface that the framework touches.

    Parameters
    ----------
    name : str
    normals : (k, 3) float
        Outward unit normals, out of the cast.
    tooth : int or None
        ISO 3950.
    aspect : str or None
    """

    name: str
    normals: Floats
    tooth: int | None = None
    aspect: str | None = None


@dataclass(frozen=True)
class Bound:
    """A surface that bounds the cone.

    Parameters
    ----------
    name : str
    tooth : int or None
    aspect : str or None
    edge_deg : float
        Length of the cone's rim that it makes; 0 where the cone is an arc's end or one direction.
    """

    name: str
    tooth: int | None
    aspect: str | None
    edge_deg: float


@dataclass(frozen=True, eq=False)
class PathCone:
    """The directions that are left.

    Parameters
    ----------
    kind : "cone", "arc", "one direction" or "none"
    widest_deg : float
        Largest angle between two of its directions.
    narrowest_deg : float
        Opening of the largest round cone within it; 0 for an arc or one direction.
    solid_angle_sr : float
    axis : (3,) float or None
        The direction furthest from all that bounds it; None where no direction is left.
    corners : (k, 3) float
        Unit directions around its rim; the ends of an arc.
    bounded_by : tuple of Bound
        The longest rim first.
    open_to_horizon : bool
        Whether it reaches the horizon of the path, where nothing holds the framework aside.
    clearance_deg : float
    """

    kind: ConeKind
    widest_deg: float
    narrowest_deg: float
    solid_angle_sr: float
    axis: Floats | None
    corners: Floats
    bounded_by: tuple[Bound, ...]
    open_to_horizon: bool
    clearance_deg: float

    @property
    def one_path_only(self) -> bool:
        """Whether a single direction is left."""
        return self.kind == "one direction"


def path_cone(contacts: Sequence[Contact], path: Floats, *, clearance_deg: float = 0.0) -> PathCone:
    """The cone of directions that some contacts leave.

    Parameters
    ----------
    contacts : sequence of Contact
    path : (3,) unit
        Direction of removal that is meant; the cone is cut at its horizon.
    clearance_deg : float
        Each contact is taken as more open than it is by this angle: its normal is turned toward
        the path. So noise of a surface closes nothing; the cone grows by it on each side.

    Raises
    ------
    InputError
        A normal has no length.

    >>> up = np.array([0.0, 0.0, 1.0])
    >>> across = np.array([[1.0, 0.0, 0.0]])
    >>> walls = [Contact("mesial", across), Contact("distal", -across)]
    >>> cone = path_cone(walls, up)
    >>> cone.kind, round(cone.widest_deg, 6)
    ('arc', 180.0)
    """
    up = np.asarray(path, dtype=np.float64)
    up = up / np.linalg.norm(up)
    normals, owner = _normals(contacts)
    normals = _opened(normals, up, clearance_deg)
    region = _Region.half_sphere(up)
    for _ in range(len(normals) + 4):
        worst = region.most_violated(normals)
        if worst is None:
            break
        region = region.cut(normals[worst], worst)
        if region.kind == "none":
            break
    return _told(region, normals, owner, contacts, up, clearance_deg)


def _normals(contacts: Sequence[Contact]) -> tuple[Floats, Ints]:
    rows = [np.asarray(one.normals, dtype=np.float64).reshape(-1, 3) for one in contacts]
    owner = np.repeat(np.arange(len(rows)), [len(row) for row in rows])
    normals = np.concatenate([*rows, np.zeros((0, 3))])
    length = np.linalg.norm(normals, axis=1)
    bad = np.flatnonzero(~(length > 0.0) | ~np.isfinite(length))
    if len(bad):
        raise InputError(
            "a contact has no normal", where=contacts[int(owner[bad[0]])].name,
            fix="Leave out faces without area.",
        )  # fmt: skip
    return normals / length[:, None], owner.astype(np.int64)


def _opened(normals: Floats, up: Floats, clearance_deg: float) -> Floats:
    """Normals turned toward the path by an angle, never past it."""
    if clearance_deg == 0.0:
        return normals
    lean = np.arccos(np.clip(normals @ up, -1.0, 1.0))
    side = up - (normals @ up)[:, None] * normals
    side /= np.maximum(np.linalg.norm(side, axis=1), 1e-300)[:, None]
    turn = np.minimum(math.radians(clearance_deg), lean)[:, None]
    opened: Floats = np.cos(turn) * normals + np.sin(turn) * side
    return opened


@dataclass(frozen=True, eq=False)
class _Region:
    """A convex piece of the half sphere about ``up``.

    A cone has its corners in order, each with the number of the constraint along which the edge
    to the next corner runs. An arc has its ends, its plane's normal and the two constraints that
    make it; one direction has itself.
    """

    kind: ConeKind
    up: Floats
    corners: Floats
    labels: Ints
    plane: Floats | None = None

    @classmethod
    def half_sphere(cls, up: Floats) -> _Region:
        aside = np.eye(3)[int(np.abs(up).argmin())]
        x = np.cross(up, aside)
        x /= np.linalg.norm(x)
        y = np.cross(up, x)
        return cls("cone", up, np.stack([x, y, -x, -y]), np.full(4, _HORIZON))

    def most_violated(self, normals: Floats) -> int | None:
        """The constraint that some direction of the region breaks most; None where all hold."""
        if self.kind == "none" or not len(normals):
            return None
        points = self.corners
        if self.kind == "arc":
            points = np.vstack([points, self._middle()])
        elif self.kind == "cone" and (self.labels == _HORIZON).all():
            points = np.vstack([points, self.up])  # its corners alone do not tell a half sphere
        least = (normals @ points.T).min(axis=1)
        worst = int(least.argmin())
        return worst if least[worst] < -_EPS else None

    def cut(self, normal: Floats, label: int) -> _Region:
        """The part with ``normal . d >= 0``."""
        if self.kind == "cone":
            return self._cut_cone(normal, label)
        if self.kind == "arc":
            return self._cut_arc(normal, label)
        return self._none()

    def _none(self) -> _Region:
        return _Region("none", self.up, np.zeros((0, 3)), np.zeros(0, dtype=np.int64))

    def _cut_cone(self, normal: Floats, label: int) -> _Region:
        height = self.corners @ normal
        inside: Bools = height >= -_EPS
        if not inside.any():
            return self._none()
        if (np.abs(height[inside]) <= _EPS).all():
            return self._edge_left(normal, inside, label)
        # what is left of a convex piece is one run of corners; it is turned to begin with that run
        start = int(np.flatnonzero(inside & ~np.roll(inside, 1))[0])
        turned = np.roll(np.arange(len(height)), -start)
        count = int(np.argmin(inside[turned]))
        last, after, before, first = turned[count - 1], turned[count], turned[-1], turned[0]
        corners = [self.corners[turned[:count]]]
        labels = self.labels[turned[:count]].tolist()
        if height[last] > _EPS:
            corners.append(self._crossing(height, last, after))
            labels.append(label)
        else:
            labels[-1] = label
        if height[first] > _EPS:
            corners.append(self._crossing(height, first, before))
            labels.append(int(self.labels[before]))
        return _Region(
            "cone", self.up, *self._halved(np.concatenate(corners), labels, normal, label)
        )

    def _crossing(self, height: Floats, one: int, other: int) -> Floats:
        """(1, 3) where the edge between two corners passes the cutting plane."""
        point = abs(height[one]) * self.corners[other] + abs(height[other]) * self.corners[one]
        crossing: Floats = (point / np.linalg.norm(point))[None]
        return crossing

    def _halved(
        self, corners: Floats, labels: list[int], normal: Floats, label: int
    ) -> tuple[Floats, Ints]:
        """An edge of half a circle gets its middle, since its ends alone do not tell its way."""
        at = labels.index(label)
        start, stop = corners[at], corners[(at + 1) % len(corners)]
        if float(start @ stop) < -1.0 + 1e-12:
            middle = self.up - float(self.up @ normal) * normal
            corners = np.insert(corners, at + 1, middle / np.linalg.norm(middle), axis=0)
            labels.insert(at + 1, label)
        return corners, np.array(labels, dtype=np.int64)

    def _edge_left(self, normal: Floats, inside: Bools, label: int) -> _Region:
        """Only an edge or a corner of the cone is left."""
        kept = self.corners[inside]
        if len(kept) == 1:
            return _Region("one direction", self.up, kept, np.array([label]))
        apart = kept @ kept.T
        i, j = np.unravel_index(int(apart.argmin()), apart.shape)
        ends = kept[[int(i), int(j)]]
        if float(ends[0] @ ends[1]) > 1.0 - 0.5 * _EPS**2:
            return _Region("one direction", self.up, ends[:1], np.array([label]))
        if (self.corners[inside] @ self.up <= _EPS).all():
            return self._none()  # the horizon itself: nothing that rises
        return _Region("arc", self.up, ends, np.array([label]), plane=normal)

    def _middle(self) -> Floats:
        assert self.plane is not None
        middle = self.corners.sum(axis=0)
        if float(np.linalg.norm(middle)) < 1e-6:
            middle = self.up - float(self.up @ self.plane) * self.plane
        unit: Floats = middle / np.linalg.norm(middle)
        return unit

    def _cut_arc(self, normal: Floats, label: int) -> _Region:
        assert self.plane is not None
        one = self._middle()
        other = np.cross(self.plane, one)
        turns = np.arctan2(self.corners @ other, self.corners @ one)
        low, high = float(turns.min()), float(turns.max())
        a, b = float(normal @ one), float(normal @ other)
        if math.hypot(a, b) <= _EPS:
            return self
        best = (math.inf, -math.inf)
        for whole in (-1, 0, 1):
            facing = math.atan2(b, a) + 2.0 * math.pi * whole
            left, right = max(low, facing - math.pi / 2.0), min(high, facing + math.pi / 2.0)
            if right - left > best[1] - best[0]:
                best = (left, right)
        left, right = best
        if right - left < -1e-8:
            return self._none()
        ends = np.stack([math.cos(t) * one + math.sin(t) * other for t in (left, right)])
        if right - left <= 1e-8:
            return _Region("one direction", self.up, ends.mean(axis=0)[None], np.array([label]))
        return _Region("arc", self.up, ends, self.labels, plane=self.plane)


# --- what is told of it --------------------------------------------------------------------------
def _told(
    region: _Region,
    normals: Floats,
    owner: Ints,
    contacts: Sequence[Contact],
    up: Floats,
    clearance_deg: float,
) -> PathCone:
    corners = region.corners
    widest, narrowest, solid, axis = 0.0, 0.0, 0.0, None
    edge_deg = np.zeros(len(contacts))
    touches = np.zeros(len(contacts), dtype=bool)
    horizon = False
    if region.kind == "cone":
        rim = np.vstack([normals, up])[region.labels]
        axis, narrowest = _furthest_in(rim)
        solid = _solid_angle_sr(corners, axis)
        widest = _widest_deg(corners, rim, np.vstack([normals, up]))
        lengths = _angles_deg(corners, np.roll(corners, -1, axis=0))
        horizon = bool((region.labels == _HORIZON).any())
        for label, length in zip(region.labels.tolist(), lengths.tolist(), strict=True):
            if label != _HORIZON:
                edge_deg[owner[label]] += length
                touches[owner[label]] = True
    elif region.kind == "arc":
        axis = region._middle()
        widest = float(_angles_deg(corners, np.broadcast_to(axis, corners.shape)).sum())
        horizon = bool((corners @ up <= 1e-8).any())
        along = (np.abs(normals @ np.vstack([corners, axis]).T) <= 1e-7).all(axis=1)
        at_end = (np.abs(normals @ corners.T) <= 1e-7).any(axis=1)
        edge_deg[np.unique(owner[along])] = widest
        touches[np.unique(owner[along | at_end])] = True
    elif region.kind == "one direction":
        axis = corners[0]
        touches[np.unique(owner[np.abs(normals @ axis) <= 1e-7])] = True
    order = sorted(np.flatnonzero(touches).tolist(), key=lambda k: -edge_deg[k])
    return PathCone(
        kind=region.kind,
        widest_deg=widest,
        narrowest_deg=narrowest,
        solid_angle_sr=solid,
        axis=axis,
        corners=corners,
        bounded_by=tuple(
            Bound(contacts[k].name, contacts[k].tooth, contacts[k].aspect, float(edge_deg[k]))
            for k in order
        ),
        open_to_horizon=horizon,
        clearance_deg=clearance_deg,
    )


def _angles_deg(one: Floats, other: Floats) -> Floats:
    cross = np.linalg.norm(np.cross(one, other), axis=-1)
    angles: Floats = np.degrees(np.arctan2(cross, (one * other).sum(axis=-1)))
    return angles


def _furthest_in(rim: Floats) -> tuple[Floats, float]:
    """The direction whose least ``n . d`` over the planes (k, 3) is largest, and the opening of the
    round cone about it, degrees: least-distance programming, ``min |w|`` with ``n . w >= 1``
    (Lawson and Hanson, Solving Least Squares Problems, ch. 23).
    """
    rows = np.vstack([rim.T, np.ones(len(rim))])
    due = np.array([0.0, 0.0, 0.0, 1.0])
    shares, _ = nnls(rows, due)
    rest = rows @ shares - due
    inward = -rest[:3] / rest[3]
    length = float(np.linalg.norm(inward))
    axis: Floats = inward / length
    return axis, 2.0 * math.degrees(math.asin(min(1.0, 1.0 / length)))


def _solid_angle_sr(corners: Floats, axis: Floats) -> float:
    """Of a fan of spherical triangles about the axis (Van Oosterom and Strackee, 1983)."""
    following = np.roll(corners, -1, axis=0)
    triple = np.abs(np.cross(corners, following) @ axis)
    below = 1.0 + corners @ axis + following @ axis + (corners * following).sum(axis=1)
    return float(2.0 * np.arctan2(triple, below).sum())


def _widest_deg(corners: Floats, rim: Floats, every: Floats) -> float:
    """Largest angle between two directions of a cone. It is reached between corners or, where it
    is over 90 degrees, at places of the rim square to the direction it is seen from.
    """
    points = corners
    if len(rim) <= _MOST_EDGES:  # of more, as round cones have, the corners tell
        feet = corners[:, None] - (corners @ rim.T)[..., None] * rim[None]
        ridges = np.cross(rim[:, None], rim[None]).reshape(-1, 3)
        square = np.cross(np.repeat(rim, len(rim), axis=0), ridges)
        candidates = np.concatenate([-feet.reshape(-1, 3), square, -square])
        length = np.linalg.norm(candidates, axis=1)
        candidates = candidates[length > _EPS] / length[length > _EPS, None]
        inside = (candidates @ every.T >= -_EPS).all(axis=1)
        points = np.concatenate([corners, candidates[inside]])
    cosine = np.clip(points @ points.T, -1.0, 1.0)
    i, j = np.unravel_index(int(cosine.argmin()), cosine.shape)
    return float(_angles_deg(points[int(i)], points[int(j)]))
