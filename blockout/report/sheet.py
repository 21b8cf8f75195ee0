"""The sheet around a picture: title, legend, scale, which side is which.

Written with the type that comes with Pillow, which every machine has. Sizes follow the picture's
size; a sheet of 1200 x 900 pixels is the measure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from blockout.mesh import Floats
from blockout.report.colours import FAINT_INK, INK, PAPER, Colour, brightness, bytes_of
from blockout.report.scene import HATCH_PX, Window

_MEASURE: Final = (1200.0, 900.0)
_RULE: Final[Colour] = (0.84, 0.84, 0.83)


@dataclass(frozen=True)
class Swatch:
    """A legend entry: a patch of colour, hatched as in the picture, and a fainter line under it."""

    label: str
    colour: Colour
    hatch_deg: float | None = None
    note: str = ""


@dataclass(frozen=True)
class Stroke:
    """A legend entry: a piece of line on the ground it is drawn on."""

    label: str
    colour: Colour
    width_px: float
    dash_px: tuple[float, ...] = ()
    ground: Colour = PAPER


@dataclass(frozen=True, eq=False)
class Bar:
    """A legend's colour bar, shallow at the top and deep at the bottom.

    Parameters
    ----------
    title : str
    colours : (k, 3) float
        From the top down, sRGB.
    ticks : tuple of (share, text)
        Share of the bar from the top.
    """

    title: str
    colours: Floats
    ticks: tuple[tuple[float, str], ...]


@dataclass(frozen=True)
class Text:
    """A legend entry: a line of words."""

    label: str
    faint: bool = False


Entry = Swatch | Stroke | Bar | Text


@dataclass(frozen=True)
class Layout:
    """Where the parts of a sheet lie, pixels."""

    width: int
    height: int
    scale: float
    top: int
    legend_left: int

    @classmethod
    def of(cls, size_px: tuple[int, int], *, legend: bool = True) -> Layout:
        """Raises ``ValueError`` for a sheet too small to read."""
        width, height = size_px
        if width < 200 or height < 150:
            raise ValueError("a picture is at least 200 x 150 pixels")
        scale = min(width / _MEASURE[0], height / _MEASURE[1])
        column = round(212 * scale) if legend else 0
        return cls(width, height, scale, round(86 * scale), width - column)

    @property
    def drawing(self) -> tuple[int, int]:
        """Width and height left for the scene."""
        return self.legend_left, self.height - self.top

    def px(self, at_measure: float) -> int:
        return max(1, round(at_measure * self.scale))


class Sheet:
    """A page being written on; :meth:`pixels` is the finished picture."""

    def __init__(self, layout: Layout, drawing: Floats) -> None:
        self.layout = layout
        paper = np.empty((layout.height, layout.width, 3))
        paper[:] = PAPER
        paper[layout.top :, : layout.legend_left] = drawing
        self._image = Image.fromarray(bytes_of(paper), "RGB")
        self._pen = ImageDraw.Draw(self._image)

    def pixels(self) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
        return np.asarray(self._image, dtype=np.uint8).copy()

    # --- words -----------------------------------------------------------------------------------
    def _write(
        self,
        place: tuple[float, float],
        words: str,
        size: float,
        *,
        colour: Colour = INK,
        anchor: str = "la",
        halo: bool = False,
        room: float | None = None,
    ) -> None:
        """Words at ``size`` for the measure sheet; made smaller where ``room`` (px) is short."""
        points = max(7.0, size * self.layout.scale)
        font = ImageFont.load_default(points)
        # a font's length is not in proportion to its size, so it is tried
        while room is not None and font.getlength(words) > room and points > 7.0:
            points = max(7.0, 0.96 * points)
            font = ImageFont.load_default(points)
        paper = _ink(PAPER)
        self._pen.text(
            place, words, fill=_ink(colour), font=font, anchor=anchor,
            stroke_width=self.layout.px(2) if halo else 0, stroke_fill=paper if halo else None,
        )  # fmt: skip

    def title(self, heading: str, *lines: str) -> None:
        """A heading and up to two fainter lines under it."""
        px = self.layout.px
        room = self.layout.width - 2 * px(24)
        self._write((px(24), px(14)), heading, 26, room=room)
        for row, line in enumerate(lines[:2]):
            self._write((px(24), px(46 + 19 * row)), line, 15, colour=FAINT_INK, room=room)
        y = self.layout.top - 1
        self._pen.line([(0, y), (self.layout.width, y)], fill=_ink(_RULE), width=1)

    def edges(self, left: str, right: str, top: str, bottom: str) -> None:
        """What lies at the edges of the drawing."""
        layout, px = self.layout, self.layout.px
        middle = layout.legend_left / 2
        for words, place, anchor in (
            (left, (px(24), layout.top + px(14)), "la"),
            (right, (layout.legend_left - px(24), layout.top + px(14)), "ra"),
            (top, (middle, layout.top + px(14)), "ma"),
            (bottom, (middle, layout.height - px(14)), "md"),
        ):
            if words:
                self._write(place, words, 16, colour=FAINT_INK, anchor=anchor, halo=True)

    # --- marks -----------------------------------------------------------------------------------
    def scale_bar(self, window: Window) -> None:
        """A bar of a round number of millimetres, about an eighth of the drawing wide."""
        layout, px = self.layout, self.layout.px
        aim = layout.legend_left / 8.0 / window.px_per_mm
        steps = np.array([0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500])
        length_mm = float(steps[np.argmin(np.abs(np.log(steps / aim)))])
        length = length_mm * window.px_per_mm
        left, y = px(24), layout.height - px(26)
        tall = px(5)
        wide = px(2)
        for points in (
            [(left, y), (left + length, y)],
            [(left, y - tall), (left, y + tall)],
            [(left + length, y - tall), (left + length, y + tall)],
        ):
            self._pen.line(points, fill=_ink(INK), width=wide)
        self._write((left + length / 2, y - px(8)), f"{length_mm:g} mm", 15, anchor="md", halo=True)

    def path_mark(self, *, toward_eye: bool) -> None:
        """The direction of removal: an arrow upward, or a ring with a dot when toward the eye."""
        layout, px = self.layout, self.layout.px
        x, y = layout.legend_left - px(34), layout.height - px(34)
        if toward_eye:
            self._disc(x, y, px(11), INK)
            self._disc(x, y, px(9), PAPER)
            self._disc(x, y, px(4), INK)
            words, place = "removal toward you", (x - px(20), y)
        else:
            self._pen.line([(x, y + px(14)), (x, y - px(22))], fill=_ink(INK), width=px(3))
            head = [(x - px(8), y - px(18)), (x + px(8), y - px(18)), (x, y - px(36))]
            self._pen.polygon(head, fill=_ink(INK))
            words, place = "removal", (x - px(14), y)
        self._write(place, words, 15, anchor="rm", halo=True)

    def _disc(self, x: float, y: float, radius: int, colour: Colour) -> None:
        fine = 4
        mask = Image.new("L", ((2 * radius + 2) * fine,) * 2, 0)
        ImageDraw.Draw(mask).ellipse(
            [fine, fine, (2 * radius + 1) * fine, (2 * radius + 1) * fine], fill=255
        )
        small = mask.reduce(fine)
        corner = (round(x) - radius - 1, round(y) - radius - 1)
        self._image.paste(
            _ink(colour), (*corner, corner[0] + small.width, corner[1] + small.height), small
        )

    # --- legend ----------------------------------------------------------------------------------
    def legend(self, entries: Sequence[Entry]) -> None:
        """Entries from the top of the column beside the drawing."""
        layout, px = self.layout, self.layout.px
        left, y = layout.legend_left + px(18), layout.top + px(22)
        x = layout.legend_left
        self._pen.line([(x, layout.top), (x, layout.height)], fill=_ink(_RULE), width=1)
        for entry in entries:
            if isinstance(entry, Bar):
                y = self._bar(entry, left, y)
            elif isinstance(entry, Text):
                colour = FAINT_INK if entry.faint else INK
                room = layout.width - left - px(10)
                self._write((left, y), entry.label, 15, colour=colour, room=room)
                y += px(23)
            else:
                self._sample(entry, left, y)
                room = layout.width - left - px(54)
                self._write((left + px(46), y + px(9)), entry.label, 15, anchor="lm", room=room)
                y += px(28)
                if isinstance(entry, Swatch) and entry.note:
                    place = (left + px(46), y - px(4))
                    self._write(place, entry.note, 14, colour=FAINT_INK, room=room)
                    y += px(20)

    def _bar(self, bar: Bar, left: int, y: int) -> int:
        px = self.layout.px
        self._write((left, y), bar.title, 15, room=self.layout.width - left - px(10))
        y += px(28)
        tall, wide = px(250), px(34)
        rows = np.linspace(0, len(bar.colours) - 1, tall).round().astype(int)
        patch = np.repeat(bytes_of(bar.colours[rows])[:, None], wide, axis=1)
        self._image.paste(Image.fromarray(patch, "RGB"), (left, y))
        self._pen.rectangle([left, y, left + wide, y + tall], outline=_ink(FAINT_INK), width=1)
        for share, words in bar.ticks:
            at = y + share * tall
            self._pen.line(
                [(left + wide, at), (left + wide + px(6), at)], fill=_ink(INK), width=px(1.5)
            )
            room = self.layout.width - left - wide - px(18)
            self._write((left + wide + px(11), at), words, 15, anchor="lm", room=room)
        return y + tall + px(26)

    def _sample(self, entry: Swatch | Stroke, left: int, y: int) -> None:
        px = self.layout.px
        wide, tall = px(34), px(18)
        fine = 3
        ground = entry.colour if isinstance(entry, Swatch) else entry.ground
        patch = Image.new("RGB", (wide * fine, tall * fine), _ink(ground))
        pen = ImageDraw.Draw(patch)
        if isinstance(entry, Swatch):
            if entry.hatch_deg is not None:
                rows, columns = np.mgrid[0 : tall * fine, 0 : wide * fine] / fine
                turn = np.radians(entry.hatch_deg)
                across = rows * np.cos(turn) - columns * np.sin(turn)
                pale = 0.14 - 0.14 * np.cos(2.0 * np.pi * across / HATCH_PX)[..., None]
                mixed = np.asarray(entry.colour) * (1.0 - pale) + np.asarray(PAPER) * pale
                patch = Image.fromarray(bytes_of(mixed), "RGB")
        else:
            dashes = entry.dash_px or (float(wide),)
            at, on = 0.0, True
            middle = tall * fine / 2
            turn = 0
            while at < wide:
                end = min(at + dashes[turn % len(dashes)], wide)
                if on:
                    line = [(at * fine, middle), (end * fine, middle)]
                    pen.line(line, fill=_ink(entry.colour), width=round(entry.width_px * fine))
                at, on, turn = end, not on, turn + 1
        self._image.paste(patch.reduce(fine), (left, y))
        if isinstance(entry, Swatch) or brightness(np.asarray(ground)) < 0.95:
            box = [left, y, left + wide, y + tall]
            self._pen.rectangle(box, outline=_ink(FAINT_INK), width=1)


def _ink(colour: Colour) -> tuple[int, int, int]:
    red, green, blue = (int(value) for value in bytes_of(colour))
    return red, green, blue
