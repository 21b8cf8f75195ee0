"""The chart of the log: wax expected and wax found, and by how much they differ."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from blockout.errors import InputError
from blockout.history.drift import FIRST, LIMIT_SD, RUN, Trend, trend_of
from blockout.history.entry import Entry
from blockout.mesh import Floats
from blockout.report.colours import FAINT_INK, INK, PAPER, WAX, Colour, bytes_of
from blockout.report.pictures import Picture
from blockout.report.sheet import Entry as LegendEntry
from blockout.report.sheet import Layout, Sheet, Stroke, Text

EXPECTED: Final[Colour] = (0.55, 0.56, 0.58)
ACTUAL: Final[Colour] = WAX["parallel"]
FLAGGED: Final[Colour] = (0.72, 0.20, 0.13)
_GRID: Final[Colour] = (0.89, 0.89, 0.88)
_FINE: Final = 3
_DATES: Final = 6
_LEFT, _RIGHT, _LABEL = 86, 48, 15  # px of the measure sheet


class _Panel:
    """One pair of axes: values upward over the place in the series."""

    def __init__(
        self, box: tuple[float, float, float, float], count: int, low: float, high: float
    ) -> None:
        self.left, self.top, self.right, self.bottom = box
        self.count = count
        self.ticks = _round_steps(low, high)
        room = 0.04 * (high - low)
        self.low = min(low, float(self.ticks[0])) - room
        self.high = max(high, float(self.ticks[-1])) + room

    def x(self, place: float) -> float:
        return self.left + (place + 0.5) / self.count * (self.right - self.left)

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.bottom - share * (self.bottom - self.top)


def history_chart(
    entries: Sequence[Entry], *, size_px: tuple[int, int] = (1200, 900), heading: str = ""
) -> Picture:
    """The comparisons among ``entries``, oldest at the left: volumes above, difference below.

    Raises
    ------
    InputError
        There is no comparison in which wax was expected.
    """
    shown = [one for one in entries if one.kind == "compare" and one.off_percent is not None]
    if not shown:
        raise InputError(
            "there is nothing to chart",
            measured="no comparison with expected wax among the rows",
            fix="Compare a build with a scan first, or ask for another case with --case.",
        )
    trend = trend_of(shown)
    layout = Layout.of(size_px)
    px = layout.px
    wide, tall = layout.drawing
    middle = 0.47 * tall
    right = wide - px(_RIGHT)
    upper = _volume_panel(shown, (px(_LEFT), px(44), right, middle - px(16)))
    lower = _off_panel(trend, (px(_LEFT), middle + px(40), right, tall - px(52)))
    image = Image.new("RGB", (wide * _FINE, tall * _FINE), _ink(PAPER))
    pen = ImageDraw.Draw(image)
    _draw_volumes(pen, upper, shown, layout)
    _draw_off(pen, lower, trend, layout)
    sheet = Sheet(layout, np.asarray(image.reduce(_FINE), dtype=np.float64) / 255.0)
    sheet.title(heading or "Wax found against wax planned", *_words(trend, shown))
    sheet.legend(_legend(trend))
    return _with_labels(sheet.pixels(), layout, upper, lower, shown, trend)


# --- panels --------------------------------------------------------------------------------------
def _volume_panel(shown: Sequence[Entry], box: tuple[float, float, float, float]) -> _Panel:
    values = [one.expected_mm3 or 0.0 for one in shown] + [one.actual_mm3 or 0.0 for one in shown]
    low, high = min(values), max(values)
    room = max(0.08 * (high - low), 0.01 * abs(high), 0.5)
    return _Panel(box, len(shown), low - room, high + room)


def _off_panel(trend: Trend, box: tuple[float, float, float, float]) -> _Panel:
    values = [*trend.off_percent, 0.0]
    if trend.settled and trend.mean_percent is not None and trend.sd_percent is not None:
        reach = LIMIT_SD * trend.sd_percent
        values += [trend.mean_percent - reach, trend.mean_percent + reach]
    low, high = min(values), max(values)
    room = max(0.08 * (high - low), 0.1)
    return _Panel(box, len(trend.off_percent), low - room, high + room)


def _round_steps(low: float, high: float) -> Floats:
    """Round values between ``low`` and ``high``, about five."""
    rough = (high - low) / 5.0
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * min((1.0, 2.0, 5.0, 10.0), key=lambda one: abs(one * power - rough))
    steps: Floats = np.arange(np.ceil(low / step), np.floor(high / step) + 1.0) * step
    return steps


# --- drawing -------------------------------------------------------------------------------------
def _axes(pen: ImageDraw.ImageDraw, panel: _Panel) -> None:
    for tick in panel.ticks:
        _line(pen, [(panel.left, panel.y(tick)), (panel.right, panel.y(tick))], _GRID, 1.0)
    corner = [(panel.left, panel.top), (panel.left, panel.bottom), (panel.right, panel.bottom)]
    _line(pen, corner, FAINT_INK, 1.0)


def _draw_volumes(
    pen: ImageDraw.ImageDraw, panel: _Panel, shown: Sequence[Entry], layout: Layout
) -> None:
    _axes(pen, panel)
    half = 0.32 * (panel.right - panel.left) / panel.count
    half = min(half, 14.0 * layout.scale)
    for place, one in enumerate(shown):
        x, planned, found = panel.x(place), one.expected_mm3 or 0.0, one.actual_mm3 or 0.0
        _line(pen, [(x, panel.y(planned)), (x, panel.y(found))], EXPECTED, 1.5 * layout.scale)
        y = panel.y(planned)
        _line(pen, [(x - half, y), (x + half, y)], EXPECTED, 3.0 * layout.scale)
        _dot(pen, x, panel.y(found), _radius(panel, layout), ACTUAL)


def _draw_off(pen: ImageDraw.ImageDraw, panel: _Panel, trend: Trend, layout: Layout) -> None:
    _axes(pen, panel)
    thin = 1.5 * layout.scale
    if trend.mean_percent is not None:
        _level(pen, panel, trend.mean_percent, INK, thin)
    if trend.settled and trend.mean_percent is not None and trend.sd_percent is not None:
        for sign in (-1.0, 1.0):
            value = trend.mean_percent + sign * LIMIT_SD * trend.sd_percent
            _level(pen, panel, value, FLAGGED, thin, dash_px=8.0 * layout.scale)
        end = panel.left + FIRST / panel.count * (panel.right - panel.left)
        _line(pen, [(end, panel.top), (end, panel.bottom)], _GRID, 2.0 * layout.scale)
    points = [(panel.x(place), panel.y(value)) for place, value in enumerate(trend.off_percent)]
    if len(points) > 1:
        _line(pen, points, EXPECTED, 1.2 * layout.scale)
    for (x, y), flagged in zip(points, trend.flagged, strict=True):
        radius = _radius(panel, layout)
        # larger as well as red, so that it is seen without colour too
        _dot(pen, x, y, 1.4 * radius if flagged else radius, FLAGGED if flagged else ACTUAL)


def _radius(panel: _Panel, layout: Layout) -> float:
    room = 0.4 * (panel.right - panel.left) / panel.count
    return max(1.5, min(room, 5.0 * layout.scale))


def _level(
    pen: ImageDraw.ImageDraw,
    panel: _Panel,
    value: float,
    colour: Colour,
    width_px: float,
    dash_px: float | None = None,
) -> None:
    y = panel.y(value)
    if dash_px is None:
        _line(pen, [(panel.left, y), (panel.right, y)], colour, width_px)
        return
    for start in np.arange(panel.left, panel.right, 1.6 * dash_px):
        _line(pen, [(start, y), (min(start + dash_px, panel.right), y)], colour, width_px)


def _line(
    pen: ImageDraw.ImageDraw,
    points: Sequence[tuple[float, float]],
    colour: Colour,
    width_px: float,
) -> None:
    fine = [(x * _FINE, y * _FINE) for x, y in points]
    pen.line(fine, fill=_ink(colour), width=max(_FINE, round(width_px * _FINE)))


def _dot(pen: ImageDraw.ImageDraw, x: float, y: float, radius: float, colour: Colour) -> None:
    box = [(x - radius) * _FINE, (y - radius) * _FINE, (x + radius) * _FINE, (y + radius) * _FINE]
    pen.ellipse(box, fill=_ink(colour))


# --- words ---------------------------------------------------------------------------------------
def _with_labels(
    pixels: Picture,
    layout: Layout,
    upper: _Panel,
    lower: _Panel,
    shown: Sequence[Entry],
    trend: Trend,
) -> Picture:
    image = Image.fromarray(pixels, "RGB")
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(max(7.0, _LABEL * layout.scale))
    px = layout.px

    def write(x: float, y: float, words: str, anchor: str, colour: Colour = FAINT_INK) -> None:
        pen.text((x, y + layout.top), words, fill=_ink(colour), font=font, anchor=anchor)

    for panel, signed in ((upper, ""), (lower, "+")):
        step = float(panel.ticks[1] - panel.ticks[0]) if len(panel.ticks) > 1 else 1.0
        digits = max(0, -int(np.floor(np.log10(step) + 1e-9)))
        for tick in panel.ticks:
            said = f"{tick + 0.0:{signed if abs(tick) > 1e-9 else ''},.{digits}f}"
            write(panel.left - px(8), panel.y(tick), said, "rm")
    write(px(16), upper.top - px(16), "Blockout wax, mm3", "lm", INK)
    write(px(16), lower.top - px(18), "Found less planned, % of planned", "lm", INK)
    last = len(shown) - 1
    for place in sorted(set(np.linspace(0, last, min(_DATES, last + 1)).round().astype(int))):
        x = lower.x(place)
        write(x, lower.bottom + px(8), f"{place + 1}", "ma")
        write(x, lower.bottom + px(26), shown[place].at_utc[:10], "ma")
    if trend.settled and len(shown) > FIRST:
        end = lower.left + FIRST / lower.count * (lower.right - lower.left)
        write(end - px(6), lower.top + px(2), f"first {FIRST}", "ra")
    return np.asarray(image, dtype=np.uint8).copy()


def _words(trend: Trend, shown: Sequence[Entry]) -> tuple[str, str]:
    cases = len({one.case_name for one in shown})
    count = len(shown)
    first = (
        f"{count} comparison{'s' if count != 1 else ''} of {cases} case{'s' if cases != 1 else ''}"
        f", {shown[0].at_utc[:10]} to {shown[-1].at_utc[:10]}, oldest at the left"
    )
    if not trend.settled:
        return first, f"Too few to judge drift: {count} of the {FIRST} that set the limits."
    flagged = sum(trend.flagged)
    state = "The latest comparisons drift" if trend.drifts else "No drift in the latest comparisons"
    return first, f"{state}; {flagged} flagged in all."


def _legend(trend: Trend) -> list[LegendEntry]:
    legend: list[LegendEntry] = [
        Stroke("planned", EXPECTED, 3.0),
        Stroke("found", ACTUAL, 9.0, (12.0, 10.0)),
    ]
    if trend.mean_percent is not None:
        legend.append(Stroke(f"mean {trend.mean_percent:+.2f} %", INK, 1.5))
    if trend.sd_percent is not None:
        legend.append(Text(f"standard dev. {trend.sd_percent:.2f} %", faint=True))
    if trend.settled:
        legend += [
            Text(f"both of the first {FIRST}", faint=True),
            Stroke(f"{LIMIT_SD:g} standard dev.", FLAGGED, 1.5, (8.0, 5.0)),
            Stroke("flagged", FLAGGED, 12.0, (14.0, 10.0)),
            Text("outside the limits, or", faint=True),
            Text(f"{RUN} in a row on one side", faint=True),
        ]
    return legend


def _ink(colour: Colour) -> tuple[int, int, int]:
    red, green, blue = (int(value) for value in bytes_of(colour))
    return red, green, blue
