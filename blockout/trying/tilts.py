"""How far another path may be turned away, and how far the framework itself, before it is stopped.

Two senses of "one path only". In the first the framework stays on its seat and the path leans: at
each azimuth the greatest tilt up to which the framework still comes off, and so goes to place. In
the second the path stays and the framework is turned on the cast, about a level axis through the
middle of its box. Both are searched by rays alone: a point of the framework stops it where a ball
of the allowance about the point lies wholly in the blocked-out region of that path.

The framework's surface is tried at places a few tenths of a millimetre apart; each limit found is
then proved with all its vertices, and with the places at which corners of the cast look into the
metal, and moved until it holds.

Closed forms. A plate of half its thickness clearance ``c`` beside a wall, reaching ``h`` below its
upper edge, is stopped at the tilt atan(c / h); with an allowance a, at atan(c / h) + asin(a / g)
where g is the hypotenuse of c and h. A plate ``w`` thick between two walls ``w + 2 c`` apart, both
reaching ``h`` up and longer than it, can be turned until w cos t + h sin t = w + 2 c + 2 a.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Mesh
from blockout.trying.blocked import BlockedOut, inside_of, places_on

AZIMUTHS: Final = 24
PRECISION_DEG: Final = 0.005
_STEPS: Final = (0.1, 0.25, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 13.0, 16.0, 20.0, 25.0,
                 30.0, 37.0, 45.0)  # fmt: skip
_SPACING_MM: Final = 0.35
_PLACES_AIM: Final = 12_000
_ROUNDS: Final = 8
_SUSPECTS: Final = 300
_AZIMUTH_DEG: Final[Floats] = np.arange(AZIMUTHS, dtype=np.float64) * (360.0 / AZIMUTHS)
_DOWN: Final = np.array([0.0, 0.0, -1.0])

Sense = Literal["path", "framework"]


@dataclass(frozen=True, eq=False)
class Limit:
    """The greatest angle in one azimuth.

    Parameters
    ----------
    azimuth_deg : float
        Which way the cast leans: 0 with the patient's right side lower, 90 with the front lower.
    angle_deg : float
        Up to here it goes to place.
    open : bool
        Nothing stopped it as far as was tried.
    at_mm : (3,) float or None
        Where it is stopped, on the framework as it is seated; file coordinates.
    """

    azimuth_deg: float
    angle_deg: float
    open: bool
    at_mm: Floats | None


@dataclass(frozen=True, eq=False)
class Range:
    """All around.

    Parameters
    ----------
    sense : "path" or "framework"
    within_deg : float
        How far was tried.
    limits : tuple of Limit
        By azimuth, evenly apart.
    """

    sense: Sense
    within_deg: float
    limits: tuple[Limit, ...]

    @property
    def narrowest(self) -> Limit:
        return min(self.limits, key=lambda one: one.angle_deg)

    @property
    def widest(self) -> Limit:
        return max(self.limits, key=lambda one: one.angle_deg)

    @property
    def seats(self) -> bool:
        """Whether it goes to place at all, by rays."""
        return self.widest.angle_deg > 0.0

    @property
    def across_deg(self) -> tuple[float, float]:
        """Least and greatest angle from one limit to the opposite one."""
        half = len(self.limits) // 2
        angles = np.array([one.angle_deg for one in self.limits])
        both = angles[:half] + angles[half:]
        return float(both.min()), float(both.max())


def leaning(azimuth_deg: Floats, tilt_deg: Floats, *, arch_side: float) -> Floats:
    """(k, 3) the path, in path coordinates, of a cast that leans further by ``tilt_deg``.

    ``arch_side`` is 1 for a lower and -1 for an upper cast: seen from above the patient's right
    lies the other way.
    """
    azimuth, tilt = np.radians(azimuth_deg), np.radians(tilt_deg)
    return np.stack(
        [
            -arch_side * np.sin(tilt) * np.cos(azimuth),
            -np.sin(tilt) * np.sin(azimuth),
            np.cos(tilt),
        ],
        axis=-1,
    )


class Trial:
    """One framework on one blocked-out cast, to be tilted.

    Parameters
    ----------
    blocked : BlockedOut
    framework : Mesh
        Path coordinates.
    flexible : sequence of Mesh
        Closed meshes, path coordinates, of the windows of terminals: metal in them bends.
    """

    def __init__(
        self,
        blocked: BlockedOut,
        framework: Mesh,
        *,
        allowance_mm: float,
        flexible: tuple[Mesh, ...] = (),
    ) -> None:
        self.blocked = blocked
        self.framework = framework
        self.allowance_mm = allowance_mm
        self.flexible = tuple((mesh, RayScene(mesh)) for mesh in flexible if mesh.triangle_count)
        self.middle = framework.bounds_mm.mean(axis=0)
        self._scene = RayScene(framework)
        area_mm2 = float(framework.face_areas_mm2.sum())
        spacing_mm = max(_SPACING_MM, float(np.sqrt(area_mm2 / _PLACES_AIM)))
        self.every = self._rigid(framework.vertices)
        self.some = self._rigid(_thinned(places_on(framework, spacing_mm), 0.7 * spacing_mm))
        low, high = framework.bounds_mm
        near = blocked.mesh.vertices
        aside = 2.0 * _SPACING_MM
        near = near[((near[:, :2] >= low[:2] - aside) & (near[:, :2] <= high[:2] + aside)).all(1)]
        self.cast_corners = near[near[:, 2] >= low[2]]
        self.arch_side = 1.0 if blocked.cast.arch == "lower" else -1.0

    def range(self, sense: Sense, *, within_deg: float) -> Range:
        """The greatest angle in each azimuth."""
        seated = np.zeros(1)
        for points in (self.some, self.every):
            deep = self._deep(sense, points, seated, seated)
            if deep.any():
                at = self.blocked.to_file(points[deep][0])
                return Range(
                    sense, within_deg, tuple(Limit(float(a), 0.0, False, at) for a in _AZIMUTH_DEG)
                )
        search = _Search(self, sense, within_deg)
        search.step()
        for _ in range(_ROUNDS):
            search.bisect()
            if not search.prove():
                break
        return Range(sense, within_deg, search.limits())

    def stopped_at(self, sense: Sense, *, angle_deg: float) -> Bools:
        """(AZIMUTHS,) whether it is stopped when turned by one angle in each azimuth."""
        stopped = np.zeros(AZIMUTHS, dtype=bool)
        angle = np.array([angle_deg])
        few = self.some[:: max(1, len(self.some) // _SUSPECTS)]
        for k, azimuth_deg in enumerate(_AZIMUTH_DEG):
            azimuth = np.array([azimuth_deg])
            stopped[k] = any(
                bool(self._deep(sense, points, azimuth, angle).any())
                for points in (few, self.some, self.every)
            ) or bool(len(self._looking_in(sense, azimuth_deg, angle_deg)))
        return stopped

    def nearest_passing(self, *, within_deg: float) -> tuple[float, float] | None:
        """Azimuth and tilt of the least tilted other path, of those tried, along which the
        framework would go to place; None where there is none.
        """
        for step in [step for step in _STEPS[1:] if step <= within_deg]:
            stopped = self.stopped_at("path", angle_deg=step)
            passing = np.flatnonzero(~stopped)
            if len(passing):
                # the one amid those that pass
                turn = np.radians(_AZIMUTH_DEG[passing])
                amid = np.cos(turn - np.arctan2(np.sin(turn).sum(), np.cos(turn).sum()))
                return float(_AZIMUTH_DEG[passing[int(amid.argmax())]]), step
        return None

    def _deep(self, sense: Sense, points: Floats, azimuth_deg: Floats, angle_deg: Floats) -> Bools:
        """(k,) whether each of the points (k, 3) stops the framework, turned by an angle (k,) in an
        azimuth (k,); one of each serves all points.
        """
        if not len(points):
            return np.zeros(0, dtype=bool)
        along = leaning(azimuth_deg, angle_deg, arch_side=self.arch_side)
        if sense == "path":
            along = np.broadcast_to(along, points.shape)
            return self.blocked.deeper(points, self.allowance_mm, along=along)
        turned = np.einsum("nij,nj->ni", _turns_to(along), points - self.middle) + self.middle
        return self.blocked.deeper(turned, self.allowance_mm)

    def _looking_in(self, sense: Sense, azimuth_deg: float, angle_deg: float) -> Floats:
        """Places of the framework's surface, as it is seated, right under corners of the cast, that
        stop it.
        """
        azimuth, angle = np.array([azimuth_deg]), np.array([angle_deg])
        along = leaning(azimuth, angle, arch_side=self.arch_side)
        corners, down = self.cast_corners, -along[0]
        if sense == "framework":
            turn = _turns_to(along)[0]
            corners, down = (corners - self.middle) @ turn + self.middle, turn.T @ _DOWN
        hits = self._scene.first_hit(corners, down)
        met = np.flatnonzero(hits.face >= 0)
        places = self._rigid(corners[met] + hits.distance_mm[met, None] * down)
        return places[self._deep(sense, places, azimuth, angle)]

    def _rigid(self, points: Floats) -> Floats:
        bends = np.zeros(len(points), dtype=bool)
        for mesh, scene in self.flexible:
            bends |= inside_of(mesh, scene, points)
        return points[~bends]


class _Search:
    """The brackets of one range: ``low`` passes, ``high`` is stopped, nan where nothing stops."""

    def __init__(self, trial: Trial, sense: Sense, within_deg: float) -> None:
        self.trial = trial
        self.sense: Sense = sense
        self.steps = [step for step in _STEPS if step < within_deg - 1e-9] + [within_deg]
        self.low = np.zeros(AZIMUTHS)
        self.high = np.full(AZIMUTHS, np.nan)
        self.sure = np.zeros(AZIMUTHS, dtype=bool)
        self.suspects: list[Floats] = [np.zeros((0, 3))] * AZIMUTHS

    def step(self) -> None:
        """Larger and larger angles, until each azimuth is stopped."""
        points = self.trial.some
        for step in self.steps:
            left = np.flatnonzero(np.isnan(self.high))
            if not len(left):
                return
            deep = self.trial._deep(
                self.sense,
                np.tile(points, (len(left), 1)),
                np.repeat(_AZIMUTH_DEG[left], len(points)),
                np.full(len(left) * len(points), step),
            ).reshape(len(left), len(points))
            for row, k in enumerate(left):
                if deep[row].any():
                    self.high[k] = step
                    self.suspects[k] = _a_few(points[deep[row]])
                else:
                    self.low[k] = step

    def bisect(self) -> None:
        """Close the brackets, by the suspects alone."""
        while True:
            wide = np.flatnonzero(self.high - self.low > PRECISION_DEG)
            if not len(wide):
                return
            middle: Floats = (self.low + self.high) / 2.0
            size = [len(self.suspects[k]) for k in wide]
            deep = self.trial._deep(
                self.sense,
                np.concatenate([self.suspects[k] for k in wide]),
                np.repeat(_AZIMUTH_DEG[wide], size),
                np.repeat(middle[wide], size),
            )
            stopped = np.bincount(np.repeat(wide, size), deep, minlength=AZIMUTHS)[wide] > 0
            self.high[wide[stopped]] = middle[wide[stopped]]
            self.low[wide[~stopped]] = middle[wide[~stopped]]

    def prove(self) -> bool:
        """Try each limit with everything; where it does not hold, it becomes the bracket's upper
        end and what stops it a suspect. Whether there was such a limit.
        """
        moved = False
        for k in np.flatnonzero(~self.sure):
            if self.low[k] > 0.0:
                azimuth, angle = _AZIMUTH_DEG[k : k + 1], self.low[k : k + 1]
                found = [
                    points[self.trial._deep(self.sense, points, azimuth, angle)]
                    for points in (self.trial.every, self.trial.some)
                ]
                found.append(self.trial._looking_in(self.sense, float(azimuth[0]), float(angle[0])))
                new = np.concatenate(found)
                if len(new):
                    moved = True
                    self.suspects[k] = np.concatenate([self.suspects[k], _a_few(new)])
                    self.high[k], self.low[k] = self.low[k], 0.0
                    continue
            self.sure[k] = True
        return moved

    def limits(self) -> tuple[Limit, ...]:
        found = []
        for k in range(AZIMUTHS):
            at = None
            if np.isfinite(self.high[k]):
                points = self.suspects[k]
                deep = self.trial._deep(
                    self.sense, points, _AZIMUTH_DEG[k : k + 1], self.high[k : k + 1]
                )
                if deep.any():
                    first = points[deep]
                    middle = np.linalg.norm(first - first.mean(axis=0), axis=1).argmin()
                    at = self.trial.blocked.to_file(first[middle])
            found.append(
                Limit(float(_AZIMUTH_DEG[k]), float(self.low[k]), bool(np.isnan(self.high[k])), at)
            )
        return tuple(found)


def _a_few(points: Floats) -> Floats:
    return points[:: max(1, len(points) // _SUSPECTS)]


def _turns_to(along: Floats) -> Floats:
    """(n, 3, 3) the turn about a level axis that lays the path on each of ``along`` (n, 3)."""
    x, y, z = along.T
    # Rodrigues' formula with the axis (-y, x, 0), written out
    fall = 1.0 / (1.0 + z)
    turn = np.empty((len(along), 3, 3))
    turn[:, 0] = np.stack([1.0 - fall * x * x, -fall * x * y, x], axis=1)
    turn[:, 1] = np.stack([-fall * x * y, 1.0 - fall * y * y, y], axis=1)
    turn[:, 2] = np.stack([-x, -y, z], axis=1)
    return turn


def _thinned(points: Floats, cell_mm: float) -> Floats:
    """One point of each cell: the lowest, which is the last to come free."""
    order = np.argsort(points[:, 2], kind="stable")
    cell = np.floor((points[order] - points.min(axis=0)) / cell_mm).astype(np.int64)
    _, first = np.unique(cell, axis=0, return_index=True)
    return points[order[first]]
