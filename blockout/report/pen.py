"""Lines on a picture: hidden parts left out, dashes, smooth edges."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import numpy as np
from PIL import Image, ImageDraw
from scipy.ndimage import minimum_filter

from blockout.mesh import Bools, Floats
from blockout.report.scene import Line, Pixels, Window
from blockout.report.view import View

_FINE: Final = 3
_STEP_PX: Final = 0.6


def draw_lines(
    picture: Floats, lines: Iterable[Line], *, view: View, window: Window, pixels: Pixels
) -> Floats:
    """``picture`` (h, w, 3) with the visible parts of the lines on it.

    A point of a line counts as visible where no opaque surface within a pixel of it stands more
    than a small step in front: lines lie on the surface, often just on its outline.
    """
    # toward the lenient side: the lowest surface among the pixel and its neighbours
    allowed = minimum_filter(pixels.height_mm, size=3) - (0.05 + 1.0 / window.px_per_mm)
    picture = picture.copy()
    styles: dict[tuple[tuple[float, ...], float, tuple[float, ...]], list[Line]] = {}
    for line in lines:
        styles.setdefault((line.colour, line.width_px, line.dash_px), []).append(line)
    for (colour, width_px, dash_px), alike in styles.items():
        mask = Image.new("L", (window.width_px * _FINE, window.height_px * _FINE), 0)
        pen = ImageDraw.Draw(mask)
        for run in _visible_runs(alike, dash_px, view, window, allowed):
            pen.line(
                ((run + 0.5) * _FINE).ravel().tolist(),
                fill=255,
                width=max(1, round(width_px * _FINE)),
                joint="curve",
            )
        inked = np.asarray(mask.reduce(_FINE))
        row, column = np.nonzero(inked)
        share = inked[row, column, None] / 255.0
        picture[row, column] = picture[row, column] * (1.0 - share) + np.asarray(colour) * share
    return picture


def _visible_runs(
    lines: list[Line], dash_px: tuple[float, ...], view: View, window: Window, allowed: Floats
) -> list[Floats]:
    """Pieces of the lines in pixels, each (k, 2) with k of at least 2."""
    whole = [_closed_points(line) for line in lines if len(line.points_mm) > 1]
    if not whole:
        return []
    points = np.concatenate(whole)
    line_of = np.repeat(np.arange(len(whole)), [len(part) for part in whole])
    place, height = window.to_px(points @ view.axes[:2].T), points @ view.toward
    first = np.flatnonzero(line_of[1:] == line_of[:-1])
    step = place[first + 1] - place[first]
    length = np.linalg.norm(step, axis=1)
    pieces = np.maximum(1, np.ceil(length / _STEP_PX)).astype(np.int64)
    segment = np.repeat(np.arange(len(first)), pieces)
    share = (np.arange(len(segment)) - np.repeat(np.cumsum(pieces) - pieces, pieces)) / pieces[
        segment
    ]
    # each segment gives its start and inner points; the last point of a line is added as its own
    start = first[segment]
    dense = place[start] + share[:, None] * step[segment]
    tall = height[start] + share * (height[start + 1] - height[start])
    owner = line_of[start]
    run = np.concatenate([[0.0], np.cumsum(length)])[segment] + share * length[segment]
    drawn = _in_sight(dense, tall, allowed)
    if dash_px:
        ends = np.cumsum(dash_px)
        drawn &= np.searchsorted(ends, run % ends[-1], side="right") % 2 == 0
    cuts = np.flatnonzero((drawn[1:] != drawn[:-1]) | (owner[1:] != owner[:-1])) + 1
    bounds = np.concatenate([[0], cuts, [len(dense)]])
    ends_of = place[first + 1]
    runs = []
    for low, high in zip(bounds[:-1].tolist(), bounds[1:].tolist(), strict=True):
        if drawn[low]:
            last = segment[high - 1]
            whole_line = high == len(dense) or owner[high] != owner[high - 1]
            tail = ends_of[last] if whole_line else dense[min(high, len(dense) - 1)]
            runs.append(np.concatenate([dense[low:high], tail[None]]))
    return runs


def _closed_points(line: Line) -> Floats:
    points = np.asarray(line.points_mm, dtype=np.float64)
    return np.concatenate([points, points[:1]]) if line.closed else points


def _in_sight(place: Floats, height: Floats, allowed: Floats) -> Bools:
    rows, columns = allowed.shape
    column = np.clip(np.round(place[:, 0]).astype(int), 0, columns - 1)
    row = np.clip(np.round(place[:, 1]).astype(int), 0, rows - 1)
    inside = (
        (place[:, 0] >= 0)
        & (place[:, 0] <= columns - 1)
        & (place[:, 1] >= 0)
        & (place[:, 1] <= rows - 1)
    )
    visible: Bools = inside & (height >= allowed[row, column])
    return visible
