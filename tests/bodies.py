"""Analytic bodies with well-shaped facets, and casts made of them. Lengths in mm, z up."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import trimesh
from numpy.typing import ArrayLike

from blockout.case.settings import Arch, ParallelSettings, PathSettings, SurveySettings
from blockout.cast.cast import Cast, Source
from blockout.cast.frame import CastFrame
from blockout.kernel.solids import Solid
from blockout.mesh import Bools, Floats, Mesh
from blockout.model.build import Model, build_model
from blockout.surveying.survey import Survey, survey
from blockout.wax.parallel import ParallelBlockout, parallel_blockout


# --- facet error, closed forms -------------------------------------------------------------------
def sagitta_mm(radius_mm: float, around: int) -> float:
    """How far the sides of a regular n-gon inscribed in a circle lie inside it: R (1 - cos(pi/n)).

    R 5: 6.02 um at n 64, 1.51 um at n 128.
    """
    return radius_mm * (1.0 - math.cos(math.pi / around))


def polygon_share(around: int) -> float:
    """Area of the regular n-gon in a circle over that of the circle."""
    return around / (2.0 * math.pi) * math.sin(2.0 * math.pi / around)


def longest_edge_mm(mesh: Mesh) -> float:
    return float(np.linalg.norm(mesh.corners - np.roll(mesh.corners, 1, axis=1), axis=2).max())


# --- bodies --------------------------------------------------------------------------------------
def box(low: ArrayLike, high: ArrayLike) -> Mesh:
    """Twelve triangles."""
    low, high = np.asarray(low, dtype=np.float64), np.asarray(high, dtype=np.float64)
    unit = np.array(list(itertools.product((0.0, 1.0), repeat=3)))
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    faces = [face for a, b, c, d in quads for face in ((a, b, c), (a, c, d))]
    return Mesh(low + unit * (high - low), faces)


def ball(
    radius_mm: float = 5.0, *, subdivisions: int = 3, centre: ArrayLike = (0.0, 0.0, 0.0)
) -> Mesh:
    """An icosahedron divided again and again: corners on the sphere, facets alike everywhere."""
    made = trimesh.creation.icosphere(subdivisions=subdivisions, radius=radius_mm)
    return Mesh(np.asarray(made.vertices) + np.asarray(centre), made.faces)


def turned(profile_mm: ArrayLike, *, around: int) -> Mesh:
    """A profile (k, 2) of radius and height turned about z, first and last point on the axis, the
    solid on its left. Its level sections are regular polygons inscribed in the circles.
    """
    profile = np.asarray(profile_mm, dtype=np.float64)
    angle = 2.0 * np.pi * np.arange(around) / around
    circle = np.column_stack([np.cos(angle), np.sin(angle), np.zeros(around)])
    rings = [radius * circle + [0.0, 0.0, height] for radius, height in profile[1:-1]]
    foot, top = [0.0, 0.0, profile[0, 1]], [0.0, 0.0, profile[-1, 1]]
    here, after = np.arange(around), (np.arange(around) + 1) % around
    last = 1 + around * (len(rings) - 1)
    faces = [np.stack([np.zeros(around, dtype=np.int64), 1 + after, 1 + here], axis=1)]
    for k in range(len(rings) - 1):
        low, high = 1 + k * around, 1 + (k + 1) * around
        faces.append(np.stack([low + here, low + after, high + after], axis=1))
        faces.append(np.stack([low + here, high + after, high + here], axis=1))
    faces.append(np.stack([last + here, last + after, np.full(around, last + around)], axis=1))
    return Mesh(np.concatenate([[foot], *rings, [top]]), np.concatenate(faces))


def ball_of_rings(radius_mm: float = 5.0, *, around: int = 64, depth_mm: float = 0.0) -> Mesh:
    """A ball of level rings about the origin: one ring is its equator, and one lies at
    ``depth_mm`` under it, where that is given, so that a floor there cuts no facet.
    """
    angle = np.linspace(-np.pi / 2.0, np.pi / 2.0, around // 2 // 2 * 2 + 1)
    if depth_mm:
        wanted = -math.asin(depth_mm / radius_mm)
        angle[np.abs(angle - wanted).argmin()] = wanted
    profile = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)])
    profile[[0, -1], 0] = 0.0
    profile[len(angle) // 2] = [radius_mm, 0.0]
    return turned(profile, around=around)


def ball_on_plate(
    *, radius_mm: float = 5.0, equator_mm: float = 3.0, around: int = 64, plate_mm: float = 9.0
) -> tuple[Mesh, Bools]:
    """A ball sunk into a plate whose top is z = 0, and which faces are scanned: all but the
    plate's rim and underside.
    """
    start = -math.asin(equator_mm / radius_mm)
    under = np.linspace(start, 0.0, around // 8 + 1)
    over = np.linspace(0.0, np.pi / 2.0, around // 4 + 1)[1:]
    angle = np.concatenate([under, over])
    arc = radius_mm * np.column_stack([np.cos(angle), np.sin(angle)]) + [0.0, equator_mm]
    arc[0, 1], arc[-1, 0] = 0.0, 0.0
    plate = [(0.0, -4.0), (plate_mm / 2.0, -4.0), (plate_mm, -4.0), (plate_mm, 0.0)]
    between = [(radius, 0.0) for radius in np.linspace(plate_mm, arc[0, 0], 13)[1:-1]]
    body = turned(np.concatenate([plate, between, arc]), around=around)
    normal, middle = body.face_normals, body.face_centres
    base = (middle[:, 2] < -1e-9) & (np.abs(normal[:, 2] - 1.0) > 1e-9)
    return body, ~base


def frustum(
    low_radius_mm: float, high_radius_mm: float, height_mm: float, *, around: int, rings: int = 8
) -> Mesh:
    """A cone cut twice, or a cylinder, from z = 0 up, with ``rings`` bands of wall."""
    share = np.linspace(0.0, 1.0, rings + 1)
    wall = np.column_stack(
        [low_radius_mm + share * (high_radius_mm - low_radius_mm), share * height_mm]
    )
    # an odd number of turns of the lid's rings keeps its facets from becoming needles
    floor = [(low_radius_mm * part, 0.0) for part in (0.0, 0.5, 0.8)]
    lid = [(high_radius_mm * part, height_mm) for part in (0.8, 0.5, 0.0)]
    return turned(np.concatenate([floor, wall, lid]), around=around)


def torus(major_mm: float = 6.0, minor_mm: float = 2.0, *, around: int = 48) -> Mesh:
    """Lying on its side of the hole, centre at the origin; sections of ``around / 2`` corners with
    one at each equator and one at the lowest and highest circle.
    """
    section = around // 8 * 4
    a = 2.0 * np.pi * np.arange(around) / around
    b = 2.0 * np.pi * np.arange(section) / section
    i, j = (part.ravel() for part in np.meshgrid(np.arange(around), np.arange(section)))
    radius = major_mm + minor_mm * np.cos(b[j])
    points = np.empty((around * section, 3))
    points[section * i + j] = np.column_stack(
        [radius * np.cos(a[i]), radius * np.sin(a[i]), minor_mm * np.sin(b[j])]
    )
    right, up = section * ((i + 1) % around) + j, section * i + (j + 1) % section
    corner = section * ((i + 1) % around) + (j + 1) % section
    here = section * i + j
    faces = np.concatenate(
        [np.column_stack([here, right, corner]), np.column_stack([here, corner, up])]
    )
    return Mesh(points, faces)


def standing(mesh: Mesh) -> Mesh:
    """Turned a quarter about x: z to -y, y to z, to the bit."""
    return Mesh(mesh.vertices[:, [0, 2, 1]] * [1.0, -1.0, 1.0], mesh.faces)


def mushroom(*, around: int = 48) -> Mesh:
    """A round cap (radius 5, rim at z 6) on a stem that swells to a bead of its own (radius 3 at
    z 3): the bead's contour lies wholly in the shadow of the cap.
    """
    bead = np.linspace(-np.pi / 2.0, np.pi / 2.0, 13)[1:-1]
    stem = np.column_stack([2.0 + np.cos(bead), 3.0 + 1.5 * np.sin(bead)])
    cap = np.linspace(0.0, np.pi / 2.0, 13)
    crown = np.column_stack([5.0 * np.cos(cap), 6.0 + 3.0 * np.sin(cap)])
    crown[-1, 0] = 0.0
    foot = [(0.0, 0.0), (1.0, 0.0), (2.0, 0.0)]
    under = [(2.0, 5.5), (3.5, 5.75)]
    return turned(np.concatenate([foot, stem, under, crown]), around=around)


def ramp(*, turns: float = 2.5, around: int = 24, pitch_mm: float = 3.0) -> Mesh:
    """A helical ramp 1 mm thick between radii 3 and 6, rising from z 0: its underside is one patch
    that covers itself as seen from above once there is more than one turn.

    Top and underside have the same plan, so each column over a triangle of the plan is bounded by
    plane faces.
    """
    steps = round(turns * around)
    height = pitch_mm * np.arange(steps + 1) / around
    # whole turns lie above each other to the bit
    around_once = 2.0 * np.pi * (np.arange(steps + 1) % around) / around
    points = np.stack(
        [
            np.column_stack([r * np.cos(around_once), r * np.sin(around_once), height + lift])
            for lift in (0.0, 1.0)
            for r in (3.0, 6.0)
        ],
        axis=1,
    ).reshape(-1, 3)
    k = 4 * np.arange(steps)

    def strip(a: int, b: int, *, turn: bool) -> list[np.ndarray]:
        """Two triangles between corners a and b of each section and of the next."""
        one = np.stack([k + a, k + b, k + 4 + b], axis=1)
        two = np.stack([k + a, k + 4 + b, k + 4 + a], axis=1)
        return [part[:, ::-1] if turn else part for part in (one, two)]

    # 0 inner low, 1 outer low, 2 inner high, 3 outer high
    faces = [
        *strip(0, 1, turn=True),
        *strip(2, 3, turn=False),
        *strip(0, 2, turn=False),
        *strip(1, 3, turn=True),
    ]
    end = 4 * steps
    faces.append(np.array([[0, 1, 3], [0, 3, 2]]))
    faces.append(np.array([[end, end + 3, end + 1], [end, end + 2, end + 3]]))
    return Mesh(points, np.concatenate(faces))


def united(meshes: Sequence[Mesh]) -> Mesh:
    """Their union, by the project's own kernel: a way to make bodies, not to judge them."""
    return Solid.union(Solid.from_mesh(mesh) for mesh in meshes).mesh()


def turn_about(axis: ArrayLike, angle_deg: float) -> Floats:
    """(3, 3) rotation by Rodrigues' formula."""
    x, y, z = np.asarray(axis, dtype=np.float64) / np.linalg.norm(axis)
    skew = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = math.radians(angle_deg)
    turn: Floats = np.eye(3) + math.sin(angle) * skew + (1.0 - math.cos(angle)) * skew @ skew
    return turn


# --- casts ---------------------------------------------------------------------------------------
def cast_of(
    mesh: Mesh,
    *,
    scanned: Bools | None = None,
    floor_mm: float | None = None,
    arch: Arch = "lower",
    matrix: Floats | None = None,
    noise_mm: float = 0.0,
) -> Cast:
    """A cast of one body. All of it is scanned, and its floor is its lowest point, unless said
    otherwise; ``matrix`` is the cast frame in the body's coordinates.
    """
    frame = CastFrame(np.eye(4) if matrix is None else matrix)
    lowest_mm = float(frame.points_to_cast(mesh.vertices)[:, 2].min())
    return Cast(
        mesh=mesh,
        scanned=np.ones(mesh.triangle_count, dtype=bool) if scanned is None else scanned,
        frame=frame,
        arch=arch,
        arch_stated=True,
        noise_mm=noise_mm,
        floor_mm=lowest_mm if floor_mm is None else floor_mm,
        source=Source("body.stl", "0" * 64),
    )


def moved_cast(cast: Cast, *, turn: Floats, shift_mm: ArrayLike) -> Cast:
    """The cast with its frame, turned and shifted together."""
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, shift_mm
    return Cast(
        mesh=cast.mesh.moved(matrix),
        scanned=cast.scanned.copy(),
        frame=CastFrame(matrix @ cast.frame.matrix),
        arch=cast.arch,
        arch_stated=cast.arch_stated,
        noise_mm=cast.noise_mm,
        floor_mm=cast.floor_mm,
        source=cast.source,
    )


# --- the job on one cast -------------------------------------------------------------------------
@dataclass(frozen=True, eq=False)
class Worked:
    """A cast surveyed, blocked out and joined along one path."""

    cast: Cast
    survey: Survey
    blockout: ParallelBlockout
    model: Model

    @property
    def wax(self) -> Mesh:
        """The wax, where there is some."""
        assert self.blockout.wax.mesh is not None
        return self.blockout.wax.mesh

    @property
    def volume_mm3(self) -> float:
        return self.blockout.wax.volume_mm3


def surveyed(cast: Cast, *, tilt_deg: tuple[float, float] = (0.0, 0.0), **settings: Any) -> Survey:
    """The survey at an anterior and lateral tilt; nothing is left alone unless asked for."""
    path = PathSettings(anterior_tilt_deg=tilt_deg[0], lateral_tilt_deg=tilt_deg[1])
    return survey(cast, path=path, settings=SurveySettings(**{"noise_depth_mm": 0.0, **settings}))


def worked(
    cast: Cast,
    *,
    tilt_deg: tuple[float, float] = (0.0, 0.0),
    noise_depth_mm: float = 0.0,
    **parallel: Any,
) -> Worked:
    """Survey, blockout and model at one tilt."""
    found = surveyed(cast, tilt_deg=tilt_deg, noise_depth_mm=noise_depth_mm)
    blockout = parallel_blockout(found, settings=ParallelSettings(**parallel))
    return Worked(cast, found, blockout, build_model(blockout.left, [blockout.wax]))
