"""Pictures of a search for the path: the mark of each factor over the disk of tilts.

To the right the patient's right side is lower, upward the front: the place of a tilt in the picture
is the way the cast leans. Between the tilts that were tried the mark is smoothed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont
from scipy.interpolate import CloughTocher2DInterpolator, NearestNDInterpolator

from blockout.choosing.choose import Choice
from blockout.choosing.factors import Score
from blockout.choosing.search import places_deg
from blockout.mesh import Floats, Ints
from blockout.report.colours import FAINT_INK, INK, PAPER, Colour, bytes_of, depth_colours
from blockout.report.sheet import Bar, Entry, Layout, Sheet, Text

SIZE_PX: Final = (1200, 900)
_FINE: Final = 2
_GRID: Final = 281
_BANDS: Final = 10
_STEPS: Final = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
_ROOM: Final = 1.12

Picture = np.ndarray[tuple[int, ...], np.dtype[np.uint8]]


def tilt_pictures(
    choice: Choice, *, size_px: tuple[int, int] = SIZE_PX
) -> Iterator[tuple[str, Picture]]:
    """(name, pixels) of the total and of every factor that is scored."""
    yield "total", tilt_picture(choice, None, size_px=size_px)
    for factor in choice.searched.level.marks:
        yield factor.replace(" ", "-"), tilt_picture(choice, factor, size_px=size_px)


def tilt_picture(
    choice: Choice, factor: str | None, *, size_px: tuple[int, int] = SIZE_PX
) -> Picture:
    """One contour picture: of a factor's mark, or of the total where ``factor`` is None."""
    layout = Layout.of(size_px)
    scores = choice.searched.scores
    values = np.array([_value(found, factor) for found in scores])
    bands = _Bands.of(values)
    within_deg = choice.ground.settings.within_deg
    disk = _Disk(layout, within_deg)
    drawing = disk.painted(places_deg(scores), values, bands)
    drawing = disk.marked(drawing, choice)
    sheet = Sheet(layout, drawing)
    name = "Total" if factor is None else factor.capitalize()
    best = max(scores, key=lambda found: _value(found, factor))
    sheet.title(
        f"{name}: mark over the tilts of the cast",
        f"0 to 100, higher is better; best {_value(best, factor):.1f} at {best.tilt.words}, "
        f"level {_value(scores[0], factor):.1f}",
        f"{len(scores)} tilts tried up to {within_deg:g} degrees from level; numbers are the paths "
        "of the list",
    )
    sheet.edges("", "", "front down", "back down")
    entries: list[Entry] = [bands.bar("Mark")]
    for candidate in choice.ranking.candidates:
        mark = _value(candidate.score, factor)
        entries.append(Text(f"{candidate.number}:  mark {mark:.0f}"))
        entries.append(Text(candidate.tilt.short_words, faint=True))
    sheet.legend(entries)
    return sheet.pixels()


def _value(found: Score, factor: str | None) -> float:
    return found.total if factor is None else found.marks[factor]


@dataclass(frozen=True)
class _Bands:
    """Contours at round numbers."""

    low: float
    step: float
    count: int

    @classmethod
    def of(cls, values: Floats) -> _Bands:
        low, high = float(values.min()), float(values.max())
        step = next((s for s in _STEPS if (high - low) / s <= _BANDS), _STEPS[-1])
        start = float(np.floor(low / step) * step)
        count = max(1, int(np.ceil((high - start) / step - 1e-9)))
        return cls(start, step, count)

    def number(self, values: Floats) -> Ints:
        band = np.floor((values - self.low) / self.step).astype(np.int64)
        return np.clip(band, 0, self.count - 1)

    def colours(self, band: Ints) -> Floats:
        # pale is good: the ramp runs from pale to dark as what it shows grows
        worse = (self.count - 0.5 - np.arange(self.count)) / self.count
        palette = depth_colours(0.08 + 0.8 * worse, deepest_mm=1.0)
        return palette[band]

    def bar(self, title: str) -> Bar:
        rows = np.repeat(np.arange(self.count - 1, -1, -1), 20)
        ticks = tuple(
            (1.0 - k / self.count, f"{self.low + k * self.step:g}") for k in range(self.count + 1)
        )
        return Bar(title, self.colours(rows), ticks)


class _Disk:
    """The disk of tilts in the drawing's pixels."""

    def __init__(self, layout: Layout, within_deg: float) -> None:
        self.width, self.height = layout.drawing
        self.within_deg = within_deg
        self.scale = layout.scale
        room = min(self.width, self.height) / 2.0
        self.px_per_deg = room / (within_deg * _ROOM * 1.06)

    def to_px(self, lateral_deg: Floats | float, anterior_deg: Floats | float) -> Floats:
        """(..., 2) pixels."""
        x = self.width / 2.0 + np.asarray(lateral_deg) * self.px_per_deg
        y = self.height / 2.0 - np.asarray(anterior_deg) * self.px_per_deg
        return np.stack([x, y], axis=-1)

    def painted(self, places: Floats, values: Floats, bands: _Bands) -> Floats:
        """(h, w, 3) the bands with their contours on paper."""
        wide, tall = self.width * _FINE, self.height * _FINE
        scale = self.px_per_deg * _FINE
        lateral: Floats = np.asarray((np.arange(wide) + 0.5 - wide / 2.0) / scale, np.float64)
        anterior: Floats = np.asarray((tall / 2.0 - np.arange(tall) - 0.5) / scale, np.float64)
        reach_deg = 1.1 * self.within_deg
        axis: Floats = np.linspace(-reach_deg, reach_deg, _GRID, dtype=np.float64)
        grid = np.stack(np.meshgrid(axis, axis, indexing="ij"), axis=-1)
        smooth = CloughTocher2DInterpolator(places, values)(grid)
        outside = ~np.isfinite(smooth)
        smooth[outside] = NearestNDInterpolator(places, values)(grid[outside])
        smooth = np.clip(smooth, values.min(), values.max())
        value = _between(smooth, axis, lateral, anterior)
        band = bands.number(value)
        picture = bands.colours(band)
        edge = np.zeros(band.shape, dtype=bool)
        edge[:, 1:] |= band[:, 1:] != band[:, :-1]
        edge[1:] |= band[1:] != band[:-1]
        # a contour as thick as two fine pixels
        thick = edge.copy()
        thick[:, :-1] |= edge[:, 1:]
        thick[:-1] |= edge[1:]
        picture[thick] = 0.55 * picture[thick] + 0.45 * np.asarray(INK)
        both = np.hypot(np.tan(np.radians(lateral))[None, :], np.tan(np.radians(anterior))[:, None])
        picture[both > np.tan(np.radians(self.within_deg))] = PAPER
        coarse: Floats = picture.reshape(self.height, _FINE, self.width, _FINE, 3).mean(axis=(1, 3))
        return coarse

    def marked(self, drawing: Floats, choice: Choice) -> Floats:
        """The drawing with rings of equal tilt, level, and the numbered paths on it."""
        image = Image.fromarray(bytes_of(drawing), "RGB")
        pen = ImageDraw.Draw(image)
        for ring_deg in _rings(self.within_deg):
            self._ring(pen, ring_deg, last=ring_deg == self.within_deg)
        left, right = self.to_px(-self.within_deg, 0.0), self.to_px(self.within_deg, 0.0)
        down, up = self.to_px(0.0, -self.within_deg), self.to_px(0.0, self.within_deg)
        for ends in ((left, right), (down, up)):
            pen.line([tuple(end) for end in ends], fill=_ink(FAINT_INK), width=1)
        beside = 6.0 * self.scale
        self._words(pen, (float(left[0]) - beside, float(left[1])), "left\nside\ndown", "rm")
        self._words(pen, (float(right[0]) + beside, float(right[1])), "right\nside\ndown", "lm")
        for candidate in reversed(choice.ranking.candidates):
            tilt = candidate.tilt
            self._numbered(pen, self.to_px(tilt.lateral_deg, tilt.anterior_deg), candidate.number)
        return np.asarray(image, dtype=np.float64) / 255.0

    def _ring(self, pen: ImageDraw.ImageDraw, tilt_deg: float, *, last: bool) -> None:
        turn = np.linspace(0.0, 2.0 * np.pi, 361)
        reach = np.tan(np.radians(tilt_deg))
        lateral = np.degrees(np.arctan(reach * np.cos(turn)))
        anterior = np.degrees(np.arctan(reach * np.sin(turn)))
        points = [tuple(place) for place in self.to_px(lateral, anterior)]
        colour = _ink(INK if last else FAINT_INK)
        for k in range(0, len(points) - 1, 2 if last else 4):
            pen.line(points[k : k + 3], fill=colour, width=2 if last else 1)
        words = f"{tilt_deg:g} deg"
        place = self.to_px(float(lateral[50]), float(anterior[50]))
        self._words(pen, (float(place[0]), float(place[1])), words, "mm")

    def _words(
        self, pen: ImageDraw.ImageDraw, place: tuple[float, float], words: str, anchor: str
    ) -> None:
        font = ImageFont.load_default(max(7.0, 15.0 * self.scale))
        pen.text(
            place, words, fill=_ink(FAINT_INK), font=font, anchor=anchor, stroke_width=2,
            stroke_fill=_ink(PAPER), align="center",
        )  # fmt: skip

    def _numbered(self, pen: ImageDraw.ImageDraw, place: Floats, number: int) -> None:
        x, y = float(place[0]), float(place[1])
        radius = 13.0 * self.scale
        fill, ink = (INK, PAPER) if number == 1 else (PAPER, INK)
        pen.ellipse(
            [x - radius, y - radius, x + radius, y + radius], fill=_ink(fill), outline=_ink(INK),
            width=max(1, round(2 * self.scale)),
        )  # fmt: skip
        font = ImageFont.load_default(max(7.0, 17.0 * self.scale))
        pen.text((x, y), str(number), fill=_ink(ink), font=font, anchor="mm")


def _between(values: Floats, axis: Floats, lateral: Floats, anterior: Floats) -> Floats:
    """(tall, wide) values of a square grid (first index lateral) between its places."""
    step = float(axis[1] - axis[0])
    i = np.clip((lateral - axis[0]) / step, 0.0, len(axis) - 1.001)
    j = np.clip((anterior - axis[0]) / step, 0.0, len(axis) - 1.001)
    i0, j0 = i.astype(np.int64), j.astype(np.int64)
    u, v = (i - i0)[None, :], (j - j0)[:, None]
    column, row = i0[None, :], j0[:, None]
    low = values[column, row] * (1.0 - u) + values[column + 1, row] * u
    high = values[column, row + 1] * (1.0 - u) + values[column + 1, row + 1] * u
    found: Floats = low * (1.0 - v) + high * v
    return found


def _rings(within_deg: float) -> Sequence[float]:
    step = 5.0 if within_deg > 6.0 else 1.0
    inner = np.arange(step, within_deg - 0.3 * step, step)
    return [*(float(ring) for ring in inner), within_deg]


def _ink(colour: Colour) -> tuple[int, int, int]:
    red, green, blue = (int(value) for value in bytes_of(colour))
    return red, green, blue
