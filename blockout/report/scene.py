"""Bodies and lines turned into pixels, by rays; no display, no graphics library.

Every picture of the house goes through here: bodies with a paint, lines with a style, one parallel
view. What the eye meets first is found by one ray a pixel; pixels on an outline are asked again at
four places, so that edges are smooth without four times the work.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, maximum_filter

from blockout.kernel.rays import RayScene
from blockout.mesh import Bools, Floats, Ints, Mesh
from blockout.report.colours import INK, Colour
from blockout.report.view import View

Paint = Callable[[Ints, Floats], Floats]
"""(k,) faces and (k, 3) corner weights in, (k, 3) sRGB colours out."""

_CREASE_COS: Final = float(np.cos(np.radians(35.0)))
_KEY: Final = np.array([-0.50, 0.62, 0.60]) / np.linalg.norm([-0.50, 0.62, 0.60])
_FILL: Final = np.array([0.75, 0.10, 0.65]) / np.linalg.norm([0.75, 0.10, 0.65])
_SUBPIXELS: Final = ((-0.125, -0.375), (0.375, -0.125), (0.125, 0.375), (-0.375, 0.125))
HATCH_PX: Final = 7.0
_OPAQUE, _THROUGH, _GLAZE = 0, 1, 2
_TOUCHING_MM: Final = 0.02


def plain_paint(colour: Colour) -> Paint:
    """One colour all over."""

    def paint(faces: Ints, weights: Floats) -> Floats:
        return np.broadcast_to(np.asarray(colour), (len(faces), 3))

    return paint


def face_paint(colours: Floats) -> Paint:
    """(m, 3) one colour a face."""

    def paint(faces: Ints, weights: Floats) -> Floats:
        chosen: Floats = colours[faces]
        return chosen

    return paint


@dataclass(frozen=True, eq=False)
class Body:
    """A mesh in a picture.

    Parameters
    ----------
    mesh : Mesh
    paint : Paint
    opacity : float
        1 hides what is behind; less lets the opaque bodies shine through.
    shown_through : bool
        Drawn, unshaded, even where something else lies in front of it.
    hatch_deg : float or None
        Fine stripes at this angle in the picture, so that colour is not the only sign.
    """

    mesh: Mesh
    paint: Paint
    opacity: float = 1.0
    shown_through: bool = False
    hatch_deg: float | None = None

    @property
    def layer(self) -> int:
        """Opaque bodies first, then what is shown through them, then what lies on them."""
        if self.shown_through:
            return _THROUGH
        return _OPAQUE if self.opacity >= 1.0 else _GLAZE


@dataclass(frozen=True, eq=False)
class Line:
    """A polyline in space, drawn where nothing opaque lies in front of it.

    Parameters
    ----------
    points_mm : (k, 3)
    closed : bool
    colour : Colour
    width_px : float
    dash_px : tuple of float
        Drawn and left out by turns; empty for a full line.
    """

    points_mm: Floats
    closed: bool
    colour: Colour = INK
    width_px: float = 2.0
    dash_px: tuple[float, ...] = ()


@dataclass(frozen=True)
class Window:
    """Which part of the picture the scene fills, and its scale.

    Parameters
    ----------
    width_px, height_px : int
    px_per_mm : float
    centre_mm : (right, up)
        Point of the view's plane in the middle of the window.
    """

    width_px: int
    height_px: int
    px_per_mm: float
    centre_mm: tuple[float, float]

    def to_px(self, flat_mm: Floats) -> Floats:
        """(k, 2) right and up in mm to column and row, pixel centres at whole numbers."""
        shift = (flat_mm - np.asarray(self.centre_mm)) * self.px_per_mm
        middle = ((self.width_px - 1) / 2.0, (self.height_px - 1) / 2.0)
        return np.stack([middle[0] + shift[..., 0], middle[1] - shift[..., 1]], axis=-1)

    def to_mm(self, pixels: Floats) -> Floats:
        """The way back."""
        flat = np.empty(np.shape(pixels))
        flat[..., 0] = (pixels[..., 0] - (self.width_px - 1) / 2.0) / self.px_per_mm
        flat[..., 1] = ((self.height_px - 1) / 2.0 - pixels[..., 1]) / self.px_per_mm
        return flat + self.centre_mm


def fit_window(
    meshes: Sequence[Mesh], view: View, *, width_px: int, height_px: int, margin_px: int
) -> Window:
    """The window in which all of the meshes are seen, as large as they go."""
    flat = np.concatenate([mesh.vertices @ view.axes[:2].T for mesh in meshes])
    low, high = flat.min(axis=0), flat.max(axis=0)
    room = np.array([width_px - 2 * margin_px, height_px - 2 * margin_px], dtype=np.float64)
    scale = float(np.min(np.maximum(room, 1.0) / np.maximum(high - low, 1e-6)))
    middle = (low + high) / 2.0
    return Window(width_px, height_px, scale, (float(middle[0]), float(middle[1])))


@dataclass(frozen=True, eq=False)
class Pixels:
    """What a scene gives.

    Parameters
    ----------
    colours : (h, w, 3) float, sRGB
    cover : (h, w) float
        Share of the pixel that shows a body; 0 is paper.
    height_mm : (h, w) float
        Of the opaque surface toward the eye; -inf where there is none.
    """

    colours: Floats
    cover: Floats
    height_mm: Floats


@dataclass(frozen=True, eq=False)
class _Shot:
    colours: Floats
    cover: Floats
    height_mm: Floats
    normals: Floats


@dataclass(frozen=True, eq=False)
class Scene:
    """Bodies made ready to be looked at from any side; each mesh is made ready for rays once."""

    bodies: tuple[Body, ...]
    _rays: dict[int, RayScene] = field(default_factory=dict, repr=False)

    def look(self, view: View, window: Window) -> Pixels:
        """Shaded pixels of one view."""
        width, height = window.width_px, window.height_px
        rows, columns = np.divmod(np.arange(height * width), width)
        grid = np.stack([columns, rows], axis=1).astype(np.float64)
        posed = [_Posed(body.mesh, view) for body in self.bodies]
        shot = self._shoot(view, window, posed, grid)
        heights = shot.height_mm.reshape(height, width)
        colours = shot.colours.reshape(height, width, 3)
        cover = shot.cover.reshape(height, width)
        outline = _outline(heights, shot.normals.reshape(height, width, 3), colours, cover, window)
        rough = np.flatnonzero(outline)
        if len(rough):
            places = np.concatenate([grid[rough] + np.array(place) for place in _SUBPIXELS])
            fine = self._shoot(view, window, posed, places)
            covers = fine.cover.reshape(len(_SUBPIXELS), -1)
            share = covers.mean(axis=0)
            total = (fine.colours.reshape(len(_SUBPIXELS), -1, 3) * covers[..., None]).sum(axis=0)
            colours.reshape(-1, 3)[rough] = (
                total / np.maximum(len(_SUBPIXELS) * share, 1e-9)[:, None]
            )
            cover.reshape(-1)[rough] = share
        return Pixels(colours * _nooks(heights, window)[..., None], cover, heights)

    def with_bodies(self, *more: Body) -> Scene:
        """The same scene and more bodies, what is ready for rays kept."""
        return Scene((*self.bodies, *more), self._rays)

    def _ray_scene(self, number: int) -> RayScene:
        mesh = self.bodies[number].mesh
        if id(mesh) not in self._rays:
            self._rays[id(mesh)] = RayScene(mesh)
        return self._rays[id(mesh)]

    def _shoot(self, view: View, window: Window, posed: Sequence[_Posed], pixels: Floats) -> _Shot:
        """One ray through each of the (k, 2) places in the window."""
        count = len(pixels)
        flat = window.to_mm(pixels)
        shot = _Shot(
            np.zeros((count, 3)), np.zeros(count), np.full(count, -np.inf), np.zeros((count, 3))
        )
        for number in sorted(range(len(self.bodies)), key=lambda i: self.bodies[i].layer):
            if self.bodies[number].mesh.triangle_count:
                self._add(shot, number, view, posed[number], pixels, flat)
        return shot

    def _add(
        self, shot: _Shot, number: int, view: View, posed: _Posed, pixels: Floats, flat: Floats
    ) -> None:
        """Lay one body over what the shot holds so far."""
        body = self.bodies[number]
        seen, face, at = self._meet(number, view, posed, flat)
        if body.layer == _OPAQUE:
            nearer = at > shot.height_mm[seen]
        elif body.layer == _THROUGH:
            nearer = np.isfinite(shot.height_mm[seen])
        else:
            nearer = at > shot.height_mm[seen] - _TOUCHING_MM
        seen, face, at = seen[nearer], face[nearer], at[nearer]
        weights = posed.weights(face, flat[seen])
        paint = np.asarray(body.paint(face, weights))
        if body.layer != _THROUGH:
            facing = posed.facing(face, weights)
            paint = _lit(paint, facing)
        if body.layer == _OPAQUE:
            shot.height_mm[seen], shot.normals[seen] = at, facing
            shot.colours[seen] = paint
        else:
            strength = np.full(len(seen), body.opacity)
            if body.hatch_deg is not None:
                strength *= _hatch(pixels[seen], body.hatch_deg)
            strength = np.where(shot.cover[seen] > 0.0, strength, 1.0)[:, None]
            shot.colours[seen] = shot.colours[seen] * (1.0 - strength) + paint * strength
        shot.cover[seen] = 1.0

    def _meet(
        self, number: int, view: View, posed: _Posed, flat: Floats
    ) -> tuple[Ints, Ints, Floats]:
        start = float(posed.height.max()) + 1.0
        (low_x, low_y), (high_x, high_y) = posed.flat.min(axis=0), posed.flat.max(axis=0)
        x, y = flat[:, 0], flat[:, 1]
        asked = np.flatnonzero((x >= low_x) & (x <= high_x) & (y >= low_y) & (y <= high_y))
        origins = np.empty((len(asked), 3))
        for axis, (right, up, toward) in enumerate(view.axes.T):
            origins[:, axis] = x[asked] * right + y[asked] * up + start * toward
        hits = self._ray_scene(number).first_hit(origins, -view.toward)
        met = hits.face >= 0
        return asked[met], hits.face[met], start - hits.distance_mm[met]


class _Posed:
    """A mesh turned into the axes of a view: right, up, toward the eye."""

    def __init__(self, mesh: Mesh, view: View) -> None:
        turned = mesh.vertices @ view.axes.T
        self.flat, self.height = np.ascontiguousarray(turned[:, :2]), turned[:, 2]
        self._faces = mesh.faces
        self._face_normals = mesh.face_normals @ view.axes.T
        self._vertex_normals = mesh.vertex_normals @ view.axes.T

    def weights(self, face: Ints, flat: Floats) -> Floats:
        """(k, 3) corner weights of the places where the rays meet the faces."""
        a, b, c = (self.flat[self._faces[face, k]] for k in range(3))
        u, v, w = b - a, c - a, flat - a
        area = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
        area = np.where(np.abs(area) > 1e-12, area, 1e-12)
        second = (w[:, 0] * v[:, 1] - w[:, 1] * v[:, 0]) / area
        third = (u[:, 0] * w[:, 1] - u[:, 1] * w[:, 0]) / area
        weights: Floats = np.clip(np.stack([1.0 - second - third, second, third], axis=1), 0.0, 1.0)
        weights /= np.maximum(weights[:, 0] + weights[:, 1] + weights[:, 2], 1e-12)[:, None]
        return weights

    def facing(self, face: Ints, weights: Floats) -> Floats:
        """(k, 3) normals toward the eye: smooth, but for corners on creases, where the face's own
        normal holds.
        """
        flat = self._face_normals[face]
        facing = np.zeros_like(flat)
        for k in range(3):
            corner = self._vertex_normals[self._faces[face, k]]
            crease = np.einsum("ij,ij->i", corner, flat) < _CREASE_COS
            facing += weights[:, k, None] * np.where(crease[:, None], flat, corner)
        facing /= np.maximum(np.sqrt(np.einsum("ij,ij->i", facing, facing)), 1e-9)[:, None]
        facing *= np.where(flat[:, 2] < 0.0, -1.0, 1.0)[:, None]
        return facing


def _lit(paint: Floats, facing: Floats) -> Floats:
    """Paint under a lamp from the upper left, a weak one from the right, and the room's light."""
    key = np.maximum(facing @ _KEY, 0.0)
    fill = np.maximum(facing @ _FILL, 0.0)
    light = 0.34 + 0.08 * facing[:, 1] + 0.56 * key + 0.17 * fill
    # a screen's brightness grows about as the 2.2th power of the value, so light enters as its root
    lit: Floats = np.minimum(paint * np.power(light, 1.0 / 2.2)[:, None], 1.0)
    return lit


def _hatch(pixels: Floats, angle_deg: float) -> Floats:
    turn = np.radians(angle_deg)
    across = pixels @ np.array([-np.sin(turn), np.cos(turn)])
    strength: Floats = 0.86 + 0.14 * np.cos(2.0 * np.pi * across / HATCH_PX)
    return strength


def _outline(
    heights: Floats, normals: Floats, colours: Floats, cover: Floats, window: Window
) -> Bools:
    """(h, w) pixels whose neighbour shows another thing."""
    step = 4.0 / window.px_per_mm
    low = np.where(np.isfinite(heights), heights, -1e3)
    rough = np.zeros(heights.shape, dtype=bool)
    for axis in (0, 1):
        one = [slice(None), slice(None)]
        other = [slice(None), slice(None)]
        one[axis], other[axis] = slice(None, -1), slice(1, None)
        here, there = tuple(one), tuple(other)
        differs = np.abs(low[here] - low[there]) > step
        for channel in range(3):
            differs |= np.abs(colours[here][..., channel] - colours[there][..., channel]) > 0.10
        differs |= cover[here] != cover[there]
        differs |= np.einsum("ijk,ijk->ij", normals[here], normals[there]) < 0.86
        rough[here] |= differs
        rough[there] |= differs
    return rough & (maximum_filter(cover, size=3) > 0.0)


def _nooks(heights: Floats, window: Window) -> Floats:
    """(h, w) darkening of places that lie deeper than what is around them."""
    seen = np.isfinite(heights)
    if not seen.any():
        return np.ones(heights.shape)
    dark = np.zeros(heights.shape, dtype=np.float32)
    for radius_mm, strength in ((0.7, 0.30), (2.5, 0.10)):
        radius_px = max(radius_mm * window.px_per_mm, 0.8)
        coarse = max(1, int(radius_px / 4.0))  # a wide blur needs few pixels
        thin = seen[::coarse, ::coarse]
        filled = np.where(thin, heights[::coarse, ::coarse], 0.0).astype(np.float32)
        around = gaussian_filter(filled, radius_px / coarse, truncate=2.5)
        share = gaussian_filter(thin.astype(np.float32), radius_px / coarse, truncate=2.5)
        around /= np.maximum(share, 1e-6)
        wide = _stretched(around, heights.shape, coarse)
        dark += strength * np.clip((wide - np.where(seen, heights, 0.0)) / radius_mm, 0.0, 1.6)
    return np.where(seen, np.exp(-dark), 1.0).astype(np.float64)


def _stretched(coarse: NDArray[np.float32], shape: tuple[int, ...], step: int) -> Floats:
    """Every ``step``-th pixel's values carried to all pixels, linearly."""
    if step == 1:
        return coarse.astype(np.float64)
    for axis in (0, 1):
        at = np.minimum(np.arange(shape[axis]) / step, coarse.shape[axis] - 1)
        low = np.minimum(at.astype(np.int64), max(coarse.shape[axis] - 2, 0))
        high = np.minimum(low + 1, coarse.shape[axis] - 1)
        share = (at - low).astype(np.float32)
        share = share[:, None] if axis == 0 else share[None]
        coarse = coarse.take(low, axis) * (1.0 - share) + coarse.take(high, axis) * share
    return coarse.astype(np.float64)
