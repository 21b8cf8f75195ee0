"""A crown's wall, unrolled: how far out it stands in each direction at each height.

The crown is seen from a line through it along the path. A place on its outer wall is then an
*azimuth*, 0 toward the aspect on which an arm runs and growing toward the end where the arm's tip
lies, and a *height* along the path. The height of contour is where the wall stands furthest out:
there the surface is parallel to the path.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from scipy.ndimage import gaussian_filter
from scipy.spatial import cKDTree

from blockout.errors import InputError
from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.surveying.depth import Overhead, undercut_depth_mm
from blockout.surveying.reading import Reading

_ARC_STEP_MM: Final = 0.12
_RISE_STEP_MM: Final = 0.08
_WIDEST_RAD: Final = np.radians(115.0)
_SMOOTH_MM: Final = 0.3
_AROUND_MM: Final = 4.0
_OCCLUSAL_LEAN: Final = 0.8
_RUN: Final = 3


@dataclass(frozen=True, eq=False)
class Wall:
    """One crown's outer wall about a line along the path.

    Parameters
    ----------
    survey : Reading
    face : (k,) int
        Faces of the cast that are the crown.
    axes : (3, 3) float
        Rows: toward the aspect, square to it, along the path; right-handed unit directions.
    about_mm : (3,) float
        Point on the line, file coordinates; heights are measured from it.
    turn : 1 or -1
        Whether azimuth grows toward the second axis or away from it.
    azimuth, height_mm : (a,), (h,) float
        The grid, radians and mm.
    radius_mm : (a, h) float
        Distance of the outermost wall from the line; nan where there is none.
    depth_mm : (a, h) float
        Undercut depth there, between the vertices' own.
    lean : (a, h) float
        Part of the wall's unit normal along the path: 0 at the height of contour.
    margin_mm : (j, 3) float or None
        The gingival margin, file coordinates.
    """

    survey: Reading
    face: Ints
    axes: Floats
    about_mm: Floats
    turn: float
    azimuth: Floats
    height_mm: Floats
    radius_mm: Floats
    depth_mm: Floats
    lean: Floats
    margin_mm: Floats | None
    _crown: Mesh
    _scene: RayScene

    # --- places ----------------------------------------------------------------------------------
    def unrolled(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """Azimuth, height and radius of points (k, 3) in file coordinates."""
        x, y, z = ((points_mm - self.about_mm) @ self.axes.T).T
        return np.arctan2(self.turn * y, x), z, np.hypot(x, y)

    def outward(self, azimuth: Floats) -> Floats:
        """(k, 3) unit directions away from the line, file coordinates."""
        out: Floats = np.outer(np.cos(azimuth), self.axes[0]) + np.outer(
            self.turn * np.sin(azimuth), self.axes[1]
        )
        return out

    def placed(self, azimuth: Floats, height_mm: Floats, radius_mm: Floats) -> Floats:
        """(k, 3) file coordinates."""
        flat = np.asarray(radius_mm)[:, None] * self.outward(azimuth)
        points: Floats = self.about_mm + flat + np.outer(height_mm, self.axes[2])
        return points

    def on_surface(self, azimuth: Floats, height_mm: Floats) -> tuple[Floats, Ints]:
        """(k, 3) places of the outermost wall and the crown's face of each; -1 and nan where a
        level line from outside meets no wall on this side.
        """
        return _hit(self, azimuth, height_mm)

    def field_depth_mm(self, points_mm: Floats, face: Ints) -> Floats:
        """(k,) undercut depth between the vertices' own at places on the crown's faces; nan
        where ``face`` is -1.
        """
        return _between(self._crown, self._vertex_depth, _local(self, points_mm), face)

    # --- what the wall offers --------------------------------------------------------------------
    @cached_property
    def _vertex_depth(self) -> Floats:
        return self.survey.depth_mm[_used(self.survey.cast.mesh, self.face)]

    @cached_property
    def silhouette_mm(self) -> Floats:
        """(a,) how far out the wall stands at most in each direction."""
        return np.asarray(np.nanmax(np.where(self._known, self.radius_mm, -1.0), axis=1))

    @cached_property
    def _known(self) -> Bools:
        return np.isfinite(self.radius_mm)

    @cached_property
    def contour_mm(self) -> Floats:
        """(a,) height of contour in each direction; nan where nothing is undercut beyond the noise
        depth.

        The uppermost undercut is climbed up to where the wall, evened over a few tenths of a
        millimetre, stands furthest out.
        """
        tolerance_mm = max(self.survey.noise_depth_mm, 0.005)
        deep = self._known & (self.depth_mm > tolerance_mm)
        run = deep.copy()
        for k in range(1, _RUN):
            run[:, k:] &= deep[:, :-k]
        run[:, : _RUN - 1] = False
        contour = np.full(len(self.azimuth), np.nan)
        smooth = self._smooth_radius_mm
        last = smooth.shape[1] - 1
        for column in np.flatnonzero(run.any(axis=1)):
            at = last - int(run[column, ::-1].argmax())
            while at < last and smooth[column, at + 1] > smooth[column, at]:
                at += 1
            contour[column] = self.height_mm[at] + _vertex_of_parabola(
                smooth[column], at, float(self.height_mm[1] - self.height_mm[0])
            )
        return contour

    @cached_property
    def _smooth_radius_mm(self) -> Floats:
        """Radius evened out; -inf where there is no wall."""
        arc_mm = float(np.nanmedian(self.radius_mm)) * float(self.azimuth[1] - self.azimuth[0])
        rise_mm = float(self.height_mm[1] - self.height_mm[0])
        sigma = (_SMOOTH_MM / arc_mm, _SMOOTH_MM / rise_mm)
        weight = gaussian_filter(self._known.astype(np.float64), sigma, mode="constant")
        total = gaussian_filter(np.where(self._known, self.radius_mm, 0.0), sigma, mode="constant")
        smooth: Floats = np.where(self._known, total / np.maximum(weight, 1e-9), -np.inf)
        return smooth

    def lowest_clear_mm(self, clear_mm: float) -> Floats:
        """(a,) lowest height in each direction above which the wall keeps ``clear_mm`` from the
        margin; -inf where no margin is known.
        """
        if self.margin_mm is None:
            return np.full(len(self.azimuth), -np.inf)
        grid = self.placed(
            np.repeat(self.azimuth, len(self.height_mm)),
            np.tile(self.height_mm, len(self.azimuth)),
            np.where(self._known, self.radius_mm, 0.0).reshape(-1),
        )
        tree = cKDTree(densely(self.margin_mm, 0.05, closed=True))
        off_mm = np.asarray(tree.query(grid)[0]).reshape(self.radius_mm.shape)
        near = self._known & (off_mm < clear_mm)
        step = float(self.height_mm[1] - self.height_mm[0])
        top = len(self.height_mm) - 1 - near[:, ::-1].argmax(axis=1)
        first = self._known.argmax(axis=1)
        lowest: Floats = np.where(
            near.any(axis=1), self.height_mm[top] + step, self.height_mm[first]
        )
        return lowest

    def reaching_mm(self, depth_mm: float) -> Floats:
        """(a,) height under the contour at which each direction first is ``depth_mm`` deep; nan
        where it never is.
        """
        found = np.full(len(self.azimuth), np.nan)
        under = self.height_mm[None, :] <= np.nan_to_num(self.contour_mm, nan=-np.inf)[:, None]
        deep = under & self._known & (self.depth_mm >= depth_mm)
        for column in np.flatnonzero(deep.any(axis=1)):
            at = deep.shape[1] - 1 - int(deep[column, ::-1].argmax())
            low, high = self.depth_mm[column, at], self.depth_mm[column, at + 1]
            share = (low - depth_mm) / (low - high) if np.isfinite(high) and low > high else 0.0
            found[column] = self.height_mm[at] + share * (self.height_mm[1] - self.height_mm[0])
        return found

    @cached_property
    def shoulder_mm(self) -> Floats:
        """(a,) height at which the wall turns over to the occlusal side in each direction."""
        above = self.height_mm[None, :] >= np.nan_to_num(self.contour_mm, nan=-np.inf)[:, None]
        over = above & self._known & (self.lean > _OCCLUSAL_LEAN)
        last = self._known.shape[1] - 1 - self._known[:, ::-1].argmax(axis=1)
        # needs to stay over for a while: one facet turned up is no shoulder
        stays = over.copy()
        stays[:, :-1] &= over[:, 1:]
        first = np.where(stays.any(axis=1), stays.argmax(axis=1), last)
        shoulder: Floats = self.height_mm[first]
        return shoulder

    def girdle_mm(self, above_mm: Floats) -> Floats:
        """(a,) how far out the wall stands at the heights ``above_mm`` (a,), between the grid's
        own; the silhouette where there is no wall at that height.
        """
        girdle = self.silhouette_mm.copy()
        for column in range(len(self.azimuth)):
            known = self._known[column]
            if known.sum() > 1 and np.isfinite(above_mm[column]):
                girdle[column] = np.interp(
                    above_mm[column], self.height_mm[known], self.radius_mm[column, known]
                )
        return np.where(girdle > 0.0, girdle, np.nan)

    def corner(self, girdle_mm: Floats, *, far: bool) -> float:
        """Azimuth of the line angle at the far or the near end: the direction of the corner of
        the box around the crown's girdle as seen along the path.
        """
        sign = 1.0 if far else -1.0
        along = float(np.nanmax(sign * girdle_mm * np.sin(self.azimuth)))
        across = float(np.nanmax(girdle_mm * np.cos(self.azimuth)))
        return sign * float(np.arctan2(along, across))

    def at(self, values: Floats, azimuth: Floats) -> Floats:
        """Values (a,) given for each direction of the grid, between them; nan is left out."""
        known = np.isfinite(values)
        if not known.any():
            return np.full(np.shape(azimuth), np.nan)
        return np.interp(azimuth, self.azimuth[known], values[known])


def wall_of_crown(
    survey: Reading,
    face: Ints,
    *,
    towards: Floats,
    far: Floats,
    margin_mm: Floats | None,
) -> Wall:
    """The wall of one crown.

    Parameters
    ----------
    face : (k,) int
        Faces of the crown.
    towards : (3,)
        Direction of the aspect on which the arm runs.
    far : (3,)
        Direction of the end at which its tip lies.

    Raises
    ------
    InputError
        The crown has no faces, or lies in the path's own direction.
    """
    if len(face) < 20:
        raise InputError("the crown has hardly any surface", measured=f"{len(face)} faces")
    path = survey.path.direction
    x = towards - path * float(towards @ path)
    if np.linalg.norm(x) < 0.2:
        raise InputError(
            "the aspect looks along the path",
            measured=f"its direction is within {np.degrees(np.arcsin(np.linalg.norm(x))):.0f} "
            "degrees of the path",
            fix="Choose another aspect, or give the arm by points.",
        )
    x /= np.linalg.norm(x)
    y = np.cross(path, x)
    axes = np.stack([x, y, path])
    mesh = survey.cast.mesh
    vertex = _used(mesh, face)
    local = mesh.vertices[vertex] @ axes.T
    low, high = local.min(axis=0), local.max(axis=0)
    middle = (low + high) / 2.0
    own = np.zeros(len(mesh.vertices), dtype=np.int64)
    own[vertex] = np.arange(len(vertex))
    crown = Mesh(local - middle, own[mesh.faces[face]])
    spread_mm = float(np.linalg.norm(high[:2] - low[:2])) / 2.0
    azimuth_count = int(np.ceil(2.0 * _WIDEST_RAD * spread_mm / _ARC_STEP_MM)) + 1
    height_count = int(np.ceil((high[2] - low[2]) / _RISE_STEP_MM)) + 1
    azimuth = np.linspace(-_WIDEST_RAD, _WIDEST_RAD, azimuth_count)
    height_mm = np.linspace(low[2] - middle[2], high[2] - middle[2], max(height_count, 4))
    wall = Wall(
        survey=survey,
        face=face,
        axes=axes,
        about_mm=middle @ axes,
        turn=1.0 if float(far @ y) >= 0.0 else -1.0,
        azimuth=azimuth,
        height_mm=height_mm,
        radius_mm=np.zeros((0, 0)),
        depth_mm=np.zeros((0, 0)),
        lean=np.zeros((0, 0)),
        margin_mm=margin_mm,
        _crown=crown,
        _scene=RayScene(crown),
    )
    every_azimuth = np.repeat(azimuth, len(height_mm))
    every_height = np.tile(height_mm, len(azimuth))
    shape = (len(azimuth), len(height_mm))
    points, hit = wall.on_surface(every_azimuth, every_height)
    radius = wall.unrolled(points)[2]
    slope = mesh.vertex_normals[vertex] @ path
    return Wall(
        survey=survey,
        face=face,
        axes=axes,
        about_mm=wall.about_mm,
        turn=wall.turn,
        azimuth=azimuth,
        height_mm=height_mm,
        radius_mm=np.where(hit >= 0, radius, np.nan).reshape(shape),
        depth_mm=_between(crown, survey.depth_mm[vertex], _local(wall, points), hit).reshape(shape),
        lean=_between(crown, slope, _local(wall, points), hit).reshape(shape),
        margin_mm=margin_mm,
        _crown=crown,
        _scene=wall._scene,
    )


class LocalDepth:
    """Undercut depth at any point near a tooth, by the survey's own definition.

    Only the scanned surface within a few millimetres of the points' box, as seen along the path,
    is asked: what is further away cannot be the nearest wall of a shallower undercut.
    """

    def __init__(self, survey: Reading, around_mm: Floats, *, reach_mm: float = _AROUND_MM) -> None:
        mesh = survey.cast.mesh
        flat = mesh.vertices @ survey.path.to_path[:2].T
        box = around_mm @ survey.path.to_path[:2].T
        inside = ((flat > box.min(0) - reach_mm) & (flat < box.max(0) + reach_mm)).all(axis=1)
        near = survey.cast.scanned & inside[mesh.faces].all(axis=1)
        self._overhead = Overhead(mesh.part(near), survey.path)

    def __call__(self, points_mm: Floats) -> Floats:
        """(k,) mm at points (k, 3)."""
        return undercut_depth_mm(self._overhead, np.atleast_2d(points_mm), spacing_mm=0.1)


def densely(points_mm: Floats, step_mm: float, *, closed: bool = False) -> Floats:
    """Points no more than ``step_mm`` apart along a line through points (k, 3)."""
    line = np.vstack([points_mm, points_mm[:1]]) if closed else points_mm
    along = np.r_[0.0, np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))]
    at = np.linspace(0.0, along[-1], max(2, int(np.ceil(along[-1] / step_mm)) + 1))
    return np.stack([np.interp(at, along, line[:, k]) for k in range(3)], axis=1)


def _used(mesh: Mesh, face: Ints) -> Ints:
    return np.unique(mesh.faces[face])


def _local(wall: Wall, points_mm: Floats) -> Floats:
    local: Floats = (points_mm - wall.about_mm) @ wall.axes.T
    return local


def _hit(wall: Wall, azimuth: Floats, height_mm: Floats) -> tuple[Floats, Ints]:
    out = np.column_stack([np.cos(azimuth), wall.turn * np.sin(azimuth), np.zeros(len(azimuth))])
    start_mm = float(np.abs(wall._crown.bounds_mm[:, :2]).sum()) + 5.0
    origins = start_mm * out
    origins[:, 2] = height_mm
    hits = wall._scene.first_hit(origins, -out)
    met = (hits.face >= 0) & (hits.distance_mm < start_mm)
    radius_mm = np.where(met, start_mm - hits.distance_mm, np.nan)
    return wall.placed(azimuth, height_mm, radius_mm), np.where(met, hits.face, -1)


def _between(crown: Mesh, values: Floats, local_mm: Floats, face: Ints) -> Floats:
    """(k,) vertex values of the crown between its corners."""
    found = np.full(len(face), np.nan)
    some = np.flatnonzero(face >= 0)
    if not len(some):
        return found
    a, b, c = (crown.corners[face[some], k] for k in range(3))
    u, v, w = b - a, c - a, local_mm[some] - a
    uu, uv, vv = (np.einsum("ij,ij->i", p, q) for p, q in ((u, u), (u, v), (v, v)))
    wu, wv = (np.einsum("ij,ij->i", w, q) for q in (u, v))
    size = np.where(uu * vv - uv * uv > 0.0, uu * vv - uv * uv, 1.0)
    s, t = (vv * wu - uv * wv) / size, (uu * wv - uv * wu) / size
    weights = np.clip(np.column_stack([1.0 - s - t, s, t]), 0.0, 1.0)
    weights /= weights.sum(axis=1)[:, None]
    found[some] = np.einsum("ij,ij->i", weights, values[crown.faces[face[some]]])
    return found


def _vertex_of_parabola(values: Floats, at: int, step: float) -> float:
    """Offset of the top of the parabola through three values around ``at``, within half a step."""
    if not 0 < at < len(values) - 1:
        return 0.0
    left, middle, right = values[at - 1], values[at], values[at + 1]
    bend = left - 2.0 * middle + right
    if not (np.isfinite(bend) and bend < 0.0):
        return 0.0
    return float(np.clip(0.5 * (left - right) / bend, -0.5, 0.5)) * step
