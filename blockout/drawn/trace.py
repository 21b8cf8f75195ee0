"""The way of a closed curve over a surface, face by face: what a cut along it needs to know."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np

from blockout.drawn.curve import SurfaceCurve, barycentric
from blockout.errors import InputError
from blockout.kernel.surfaces import nearest_places
from blockout.mesh import Floats, Ints, Mesh

_INSIDE: Final = 1e-4
"""A point nearer to an edge of its face than this share is moved in: the way crosses edges between
the curve's points, never at them. 30 nm on a facet of 0.3 mm."""
_HALVINGS: Final = 6
_LONGEST_WAY: Final = 6.0
"""The way over the surface may be this much longer than the straight one between two points."""


@dataclass(frozen=True, eq=False)
class Crossing:
    """Where the way leaves a face: the edge it crosses, and the face it enters.

    ``share`` runs from the edge's lower vertex number to its higher one.
    """

    low: int
    high: int
    share: float
    left_face: int
    entered_face: int


@dataclass(eq=False)
class Trace:
    """The way of a closed curve: points within faces and crossings of edges, in order.

    ``points_mm`` (k, 3) are its places; ``face`` is the face of a point within one, or -1 where
    ``crossing`` says which edge is crossed. ``given`` is the number in the curve of each place
    that is a point of it, or -1.
    """

    points_mm: list[Floats] = field(default_factory=list)
    face: list[int] = field(default_factory=list)
    crossing: list[Crossing | None] = field(default_factory=list)
    given: list[int] = field(default_factory=list)

    def add_point(self, place_mm: Floats, face: int, *, given: int = -1) -> None:
        """A place within a face."""
        self.points_mm.append(place_mm)
        self.face.append(face)
        self.crossing.append(None)
        self.given.append(given)

    def add_crossing(self, place_mm: Floats, crossing: Crossing) -> None:
        """A place on an edge."""
        self.points_mm.append(place_mm)
        self.face.append(-1)
        self.crossing.append(crossing)
        self.given.append(-1)


def trace(mesh: Mesh, curve: SurfaceCurve) -> Trace:
    """Follow a closed curve over the surface: from point to point in the plane that holds both
    and the normal between them.

    Raises
    ------
    InputError
        The surface does not lead from one point to the next.
    """
    walker = _Walker(mesh)
    places = _moved_in(mesh, curve.face, curve.points_mm)
    way = Trace()
    count = len(places)
    for k in range(count):
        after = (k + 1) % count
        way.add_point(places[k], int(curve.face[k]), given=k)
        up = curve.normals[k] + curve.normals[after]
        steps = walker.between(
            places[k], int(curve.face[k]), places[after], int(curve.face[after]), up, _HALVINGS
        )
        if steps is None:
            x, y, z = (float(c) for c in places[k])
            raise InputError(
                "an outline cannot be followed over the surface",
                measured=f"between its points {k + 1} and {after + 1} of {count}",
                places_mm=[(x, y, z)],
                fix="Move its points off borders and folds, or give more of them.",
            )
        for place, item in steps:
            if isinstance(item, Crossing):
                way.add_crossing(place, item)
            else:
                way.add_point(place, item)
    return way


_Step = tuple[Floats, Crossing | int]
_Exit = tuple[int, float, Floats]
"""Edge of a face, share along it, place."""


@dataclass(eq=False)
class _Walker:
    """Walks over faces in a plane."""

    mesh: Mesh
    neighbours: Ints = field(init=False)

    def __post_init__(self) -> None:
        self.neighbours = self.mesh.face_neighbours

    def between(
        self, a: Floats, face_a: int, b: Floats, face_b: int, up: Floats, halvings: int
    ) -> list[_Step] | None:
        """Crossings on the way from a to b, both left out; None where there is no way."""
        if face_a == face_b:
            return []
        steps = self._straight(a, face_a, b, face_b, up)
        if steps is not None or halvings == 0:
            return steps
        middle = nearest_places(self.mesh, ((a + b) / 2.0)[None])
        face = int(middle.face[0])
        place = _moved_in(self.mesh, middle.face, middle.points_mm)[0]
        first = self.between(a, face_a, place, face, up, halvings - 1)
        second = self.between(place, face, b, face_b, up, halvings - 1)
        if first is None or second is None:
            return None
        return [*first, (place, face), *second]

    def _straight(
        self, a: Floats, face_a: int, b: Floats, face_b: int, up: Floats
    ) -> list[_Step] | None:
        ahead = b - a
        across = np.cross(ahead, up)
        if not across.any():
            return None
        exits = self.exits(face_a, a, across, came_over=-1)
        normal = self.mesh.face_normals[face_a]
        level = ahead - (ahead @ normal) * normal
        exits.sort(key=lambda found: -float((found[2] - a) @ level))
        limit_mm = _LONGEST_WAY * float(np.linalg.norm(ahead))
        for first in exits:
            steps = self._onward(a, face_a, first, face_b, across, limit_mm)
            if steps is not None:
                return steps
        return None

    def _onward(
        self, a: Floats, face: int, leaving: _Exit, face_b: int, across: Floats, limit_mm: float
    ) -> list[_Step] | None:
        """From face to face in a plane until ``face_b``, within a length."""
        faces = self.mesh.faces
        steps: list[_Step] = []
        walked_mm, last = 0.0, a
        while True:
            k, share, place = leaving
            walked_mm += float(np.linalg.norm(place - last))
            entered = int(self.neighbours[face, k])
            if entered < 0 or walked_mm > limit_mm:
                return None
            one, other = int(faces[face, k]), int(faces[face, (k + 1) % 3])
            from_low = share if one < other else 1.0 - share
            low, high = min(one, other), max(one, other)
            steps.append((place, Crossing(low, high, from_low, face, entered)))
            if entered == face_b:
                return steps
            came_over = int(np.flatnonzero(faces[entered] == other)[0])
            found = self.exits(entered, a, across, came_over=came_over)
            if not found:
                return None
            face, last, leaving = entered, place, found[0]

    def exits(self, face: int, a: Floats, across: Floats, *, came_over: int) -> list[_Exit]:
        """Where the plane through a, square to ``across``, crosses the face's edges."""
        corners = self.mesh.vertices[self.mesh.faces[face]]
        height = (corners - a) @ across
        found: list[_Exit] = []
        for k in range(3):
            after = (k + 1) % 3
            if k == came_over or (height[k] >= 0.0) == (height[after] >= 0.0):
                continue
            share = float(height[k] / (height[k] - height[after]))
            found.append((k, share, corners[k] * (1.0 - share) + corners[after] * share))
        return found


@dataclass(eq=False)
class SectionWalk:
    """Walks along plane sections of a surface."""

    mesh: Mesh

    def along(
        self, start: Floats, face: int, *, across: Floats, toward: Floats, lengths_mm: Floats
    ) -> Floats | None:
        """Places (k, 3) at some lengths (k,), ascending, from a place on a face, in the plane
        square to ``across``; None where the surface ends before the last.
        """
        walker = _Walker(self.mesh)
        place = _moved_in(self.mesh, np.array([face]), start[None])[0]
        exits = walker.exits(face, place, across, came_over=-1)
        if not exits:
            return None
        leaving = max(exits, key=lambda found: float((found[2] - place) @ toward))
        last, walked_mm = place, 0.0
        found: list[Floats] = []
        while True:
            step_mm = float(np.linalg.norm(leaving[2] - last))
            while len(found) < len(lengths_mm) and lengths_mm[len(found)] <= walked_mm + step_mm:
                share = (lengths_mm[len(found)] - walked_mm) / max(step_mm, 1e-12)
                found.append(last + share * (leaving[2] - last))
            if len(found) == len(lengths_mm):
                return np.array(found)
            walked_mm += step_mm
            entered = int(walker.neighbours[face, leaving[0]])
            if entered < 0:
                return None
            other = int(self.mesh.faces[face, (leaving[0] + 1) % 3])
            came_over = int(np.flatnonzero(self.mesh.faces[entered] == other)[0])
            exits = walker.exits(entered, place, across, came_over=came_over)
            if not exits:
                return None
            face, last, leaving = entered, leaving[2], exits[0]


def _moved_in(mesh: Mesh, face: Ints, places_mm: Floats) -> Floats:
    """The places, each a little off the edges of its face."""
    corners = mesh.corners[face]
    weights = np.maximum(barycentric(corners, places_mm), _INSIDE)
    weights /= weights.sum(axis=1, keepdims=True)
    moved: Floats = np.einsum("ij,ijk->ik", weights, corners)
    return moved
