"""The 3-D view of a cast as an element of the page.

Geometry and depths go over HTTP; only small things go over the websocket. The view imports the
three.js that NiceGUI ships under the name ``nicegui-scene``.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final, Literal

import nicegui.elements.scene  # noqa: F401  registers the module "nicegui-scene" with the page
import numpy as np
from nicegui.element import Element
from nicegui.events import GenericEventArguments

from blockout.case.settings import Arch
from blockout.cast.frame import CastFrame
from blockout.mesh import Floats
from blockout.report.colours import PLASTER, Colour, bytes_of, depth_colours
from blockout.report.comparison import deviation_colours

ViewName = Literal["path", "occlusal", "front", "back", "left", "right", "under"]
VIEW_NAMES: Final[tuple[ViewName, ...]] = (
    "path", "occlusal", "front", "back", "left", "right", "under",
)  # fmt: skip
MapName = Literal["none", "depth", "deviation"]
Told = Callable[[dict[str, Any]], Any]
"""A handler; it gets what the browser said as a dictionary of plain numbers and words."""

Triple = Sequence[float] | Floats


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One mesh of the view.

    Parameters
    ----------
    name : str
        Unique in the view.
    url : str
        Where :func:`blockout.web.view.buffers.mesh_bytes` is served; another mesh has another
        address.
    label : str
        What it is called for readers of the page.
    colour : (r, g, b), 0 to 1
    opacity : float
    shown : bool
    map : "none", "depth" or "deviation"
        How the bytes of each vertex are coloured. ``depth``: over the plaster, where undercut, with
        lines at the gauges. ``deviation``: all over, but where the byte is 0.
    levels_url : str
        Where one byte a vertex is served; empty for none yet.
    full_mm : float
        Of byte 255.
    last_mm : float
        Depth of the last colour of the ramp.
    gauges_mm : tuple of float
        Up to four depths that get a line.
    surveyed : bool
        Scanned faces that look down against the path are tinted and hatched at once.
    hatch_deg : float or None
        Fine stripes, so that colour is not the only sign.
    open : bool
        The mesh is no closed solid: show its inside too.
    """

    name: str
    url: str
    label: str = ""
    colour: Colour = PLASTER
    opacity: float = 1.0
    shown: bool = True
    map: MapName = "none"
    levels_url: str = ""
    full_mm: float = 1.0
    last_mm: float = 0.75
    gauges_mm: tuple[float, ...] = ()
    surveyed: bool = False
    hatch_deg: float | None = None
    open: bool = False


@dataclass(frozen=True, kw_only=True)
class Marker:
    """A word at a place of the cast.

    ``shape`` is ``tooth``, ``warning``, ``point``, ``tripod`` or ``measure``; with a ``normal`` the
    marker fades when its place looks away. A ``key`` makes it a button, told by ``selected``.
    """

    at_mm: Triple
    text: str
    shape: str = "point"
    normal: Triple | None = None
    key: str = ""


@dataclass(frozen=True, kw_only=True)
class LineStyle:
    """How polylines are drawn.

    ``through`` (0 to 1) is how much shows where something lies in front. Lines with
    ``at_direction`` are hidden while the path is another one; the view then draws the survey line
    by shading, if ``survey`` says that these are survey lines.
    """

    colour: Colour = (0.09, 0.10, 0.14)
    width_px: float = 2.5
    dash_mm: float = 0.0
    through: float = 0.15
    at_direction: Triple | None = None
    survey: bool = False
    shown: bool = True


@dataclass
class _Said:
    """What the browser was told, to be told again when the view is made anew."""

    ready: bool = False
    calls: dict[str, tuple[str, tuple[Any, ...]]] = field(default_factory=dict)


class CastView(
    Element,
    component="cast_view.js",
    esm={"blockout-view": "modules"},
    default_classes="blockout-view-holder",
):
    """The cast in 3-D.

    Parameters
    ----------
    layers : sequence of Layer
    frame : CastFrame
        Cast frame to file coordinates.
    arch : "lower" or "upper"
    arch_stated : bool
        False says with the names of the sides that they hold for a lower arch.
    depth_url : str
        POST of ``{sequence, anterior_tilt_deg, lateral_tilt_deg}``; the answer is one byte for each
        vertex of the layer ``depth_layer``, with the header ``X-Sequence``.
    probe_url : str
        POST of ``{sequence, origin_mm, direction, purpose}``; the answer is JSON with ``point_mm``
        (or null), ``normal``, ``said`` and whatever else the page wants to hear in ``clicked``.
        ``purpose`` is ``hover``, ``click`` or ``draw``.
    depth_layer : str
    pictures : sequence of (url, text)
        Shown where the browser has no WebGL.
    tilts_deg : (anterior, lateral)
    most_tilt_deg : float
        The handle goes no further.
    label : str
        What a screen reader calls the view.
    theme : "auto", "light" or "dark"
    without_webgl : bool
        Behave as if the browser had none.

    What is set by methods before the browser has the view is said when it has; it is said again
    to a view made anew.
    """

    def __init__(
        self,
        *,
        layers: Sequence[Layer] = (),
        frame: CastFrame,
        arch: Arch,
        arch_stated: bool = True,
        depth_url: str = "",
        probe_url: str = "",
        depth_layer: str = "cast",
        pictures: Sequence[tuple[str, str]] = (),
        tilts_deg: tuple[float, float] = (0.0, 0.0),
        most_tilt_deg: float = 30.0,
        label: str = "The cast in three dimensions",
        theme: Literal["auto", "light", "dark"] = "auto",
        without_webgl: bool = False,
    ) -> None:
        super().__init__()
        self._said = _Said()
        self._layers = tuple(layers)
        self._props["layers"] = [_layer(layer) for layer in layers]
        self._props["frame"] = frame.matrix.ravel().tolist()
        self._props["arch"] = arch
        self._props["arch-stated"] = arch_stated
        self._props["depth-url"] = depth_url
        self._props["probe-url"] = probe_url
        self._props["depth-layer"] = depth_layer
        self._props["pictures"] = [{"url": url, "text": text} for url, text in pictures]
        self._props["maps"] = {
            "depth": _ramp(depth_colours(np.linspace(0.0, 1.0, 256), deepest_mm=1.0)),
            "deviation": _ramp(deviation_colours(np.linspace(-1.0, 1.0, 256), most_mm=1.0)),
        }
        self._props["tilts"] = list(tilts_deg)
        self._props["most-tilt"] = most_tilt_deg
        self._props["label"] = label
        self._props["theme"] = theme
        self._props["without-webgl"] = without_webgl
        self.on("ready", self._tell_again)
        self.on("tilted", self._keep_path)

    # --- layers ---------------------------------------------------------------------------------
    @property
    def layers(self) -> tuple[Layer, ...]:
        """As they are set now."""
        return self._layers

    def set_layers(self, layers: Sequence[Layer]) -> None:
        """Replace all layers; a mesh is fetched again only where its address changed."""
        self._layers = tuple(layers)
        self._props["layers"] = [_layer(layer) for layer in layers]
        self.update()

    def show_layer(self, name: str, shown: bool) -> None:
        """Show or hide one layer."""
        self._change_layer(name, "showLayer", shown=shown)

    def set_opacity(self, name: str, opacity: float) -> None:
        """From 0, not there, to 1."""
        self._change_layer(name, "setOpacity", opacity=opacity)

    def set_colour(self, name: str, colour: Colour) -> None:
        """One colour of a layer, sRGB, 0 to 1."""
        self._change_layer(name, "setColour", colour=colour)

    def set_levels(self, name: str, url: str) -> None:
        """Fetch one byte a vertex for a layer from this address."""
        self._change_layer(name, "setLevels", levels_url=url)

    def _change_layer(self, name: str, method: str, **change: Any) -> None:
        """Change one layer without sending the others; what is kept changes too, since it is sent
        again with the next update of the element.
        """
        self._layers = tuple(
            replace(layer, **change) if layer.name == name else layer for layer in self._layers
        )
        with self._props.suspend_updates():
            self._props["layers"] = [_layer(layer) for layer in self._layers]
        if self._said.ready:
            (value,) = change.values()
            self.run_method(method, name, list(value) if isinstance(value, tuple) else value)
        else:
            self.update()

    def refresh_depth(self) -> None:
        """Ask for the depths of the present path again."""
        self._say("", "refreshDepth")

    def set_shading(
        self,
        *,
        undercut: bool = True,
        hatch: bool = True,
        gauges: bool = True,
        survey_line: bool = True,
    ) -> None:
        """What the cast's shading shows."""
        asked = {
            "undercut": undercut,
            "hatch": hatch,
            "gauges": gauges,
            "survey_line": survey_line,
        }
        self._say("shading", "setShading", asked)

    # --- path -----------------------------------------------------------------------------------
    def tilt(self, anterior_tilt_deg: float, lateral_tilt_deg: float) -> None:
        """Set both tilts, as a slider would; the browser answers with ``tilted``."""
        self._say("path", "tilt", anterior_tilt_deg, lateral_tilt_deg)

    def set_direction(self, direction: Triple) -> None:
        """Set the path by its direction of removal, file coordinates."""
        self._say("path", "setDirection", _triple(direction))

    def show_spindle(self, shown: bool) -> None:
        """Show or hide the handle drawn along the path."""
        self._say("spindle", "showSpindle", shown)

    # --- camera ---------------------------------------------------------------------------------
    def set_view(self, name: ViewName) -> None:
        """Look from a named side; ``path`` looks along the path and stays with it as it tilts."""
        if name not in VIEW_NAMES:
            raise ValueError(f"{name!r} is no view; there are {', '.join(VIEW_NAMES)}")
        self._say("", "setView", name)

    def look_from(self, toward: Triple, *, at_mm: Triple | None = None) -> None:
        """Look from a direction (cast to eye, file coordinates), as from buccal of a tooth."""
        self._say("", "lookFrom", _triple(toward), None if at_mm is None else _triple(at_mm))

    def set_projection(self, kind: Literal["orthographic", "perspective"]) -> None:
        """Parallel, or as an eye sees."""
        self._say("projection", "setProjection", kind)

    def set_upright(self, what: Literal["cast", "path"]) -> None:
        """Which stands still while tilting: the cast, or the path as on a surveying table."""
        self._say("upright", "setUpright", what)

    def fly_to(
        self,
        at_mm: Triple,
        toward: Triple | None = None,
        *,
        width_mm: float | None = None,
        ahead_mm: float | None = None,
    ) -> None:
        """Go near a place and look at it; what lies further than ``ahead_mm`` before it, such as
        the other side of the arch, is left out until another view is taken.
        """
        looked = None if toward is None else _triple(toward)
        self._say("", "flyTo", _triple(at_mm), looked, width_mm, ahead_mm)

    def zoom_to_fit(self) -> None:
        """All of what is shown, as large as it goes."""
        self._say("", "zoomToFit")

    # --- lines, markers, drawing ----------------------------------------------------------------
    def set_lines(
        self,
        name: str,
        lines: Sequence[Mapping[str, Any]],
        style: LineStyle | None = None,
    ) -> None:
        """Short polylines, each ``{"points": [[x, y, z], ...], "closed": bool}``."""
        plain = [
            {"points": np.asarray(line["points"]).tolist(), "closed": bool(line.get("closed"))}
            for line in lines
        ]
        self._show(f"lines {name}", "setLines", name, plain, _style(style))

    def set_lines_from(self, name: str, url: str, style: LineStyle | None = None) -> None:
        """Long polylines, served as :func:`blockout.web.view.buffers.lines_bytes`."""
        self._say(f"lines {name}", "setLinesFrom", name, url, _style(style))

    def remove_lines(self, name: str) -> None:
        """Take polylines away."""
        self._said.calls.pop(f"lines {name}", None)
        self._say("", "removeLines", name)

    def set_markers(self, markers: Sequence[Marker]) -> None:
        """Replace all markers."""
        plain = [
            {
                "at_mm": _triple(marker.at_mm),
                "text": marker.text,
                "shape": marker.shape,
                "normal": None if marker.normal is None else _triple(marker.normal),
                "key": marker.key,
            }
            for marker in markers
        ]
        self._show("markers", "setMarkers", plain)

    def set_drawing(
        self,
        points_mm: Sequence[Triple] | Floats | None,
        *,
        closed: bool = False,
        kind: str = "",
        editable: bool = True,
    ) -> None:
        """The line or outline under the pen; None puts the pen down."""
        if points_mm is None:
            self._said.calls.pop("drawing", None)
            self._say("", "setDrawing", None)
            return
        asked = {
            "points": [_triple(point) for point in points_mm],
            "closed": closed,
            "kind": kind,
            "editable": editable,
        }
        self._say("drawing", "setDrawing", asked)

    def set_probing(self, on: bool) -> None:
        """Whether hovering asks for a reading; a click always does."""
        self._say("probing", "setProbing", on)

    def set_section(self, point_mm: Triple | None, normal: Triple | None = None) -> None:
        """Cut away what lies on the side the normal points to; None shows all again."""
        if point_mm is None or normal is None:
            self._said.calls.pop("section", None)
            self._say("", "setSection", None)
            return
        self._say("section", "setSection", {"point": _triple(point_mm), "normal": _triple(normal)})

    def set_theme(self, theme: Literal["auto", "light", "dark"]) -> None:
        """Colours of the ground; ``auto`` follows the page."""
        self._say("theme", "setTheme", theme)

    def set_addresses(self, *, depth_url: str, probe_url: str) -> None:
        """Ask somewhere else from now on, as after another cast was opened."""
        with self._props.suspend_updates():
            self._props["depth-url"], self._props["probe-url"] = depth_url, probe_url
        self._say("addresses", "setAddresses", {"depth_url": depth_url, "probe_url": probe_url})

    # --- events ---------------------------------------------------------------------------------
    def on_clicked(self, told: Told) -> CastView:
        """The probe's answer to a click, with ``ray`` beside it."""
        return self._on("clicked", told)

    def on_tilting(self, told: Told) -> CastView:
        """``{direction, anterior_tilt_deg, lateral_tilt_deg}`` a few times a second while the path
        moves.
        """
        return self._on("tilting", told)

    def on_tilted(self, told: Told) -> CastView:
        """The same, once the path has rested for 100 ms."""
        return self._on("tilted", told)

    def on_drawn(self, told: Told) -> CastView:
        """``{points, closed, kind}`` whenever the drawing changed by hand."""
        return self._on("drawn", told)

    def on_ended(self, told: Told) -> CastView:
        """``{points, closed, kind}`` when Escape ends the drawing."""
        return self._on("ended", told)

    def on_selected(self, told: Told) -> CastView:
        """``{key}`` of a marker that was pressed."""
        return self._on("selected", told)

    def on_loaded(self, told: Told) -> CastView:
        """``{name, triangles, fetched_ms, drawn_ms}`` when a layer is on the screen."""
        return self._on("loaded", told)

    def on_turned(self, told: Told) -> CastView:
        """``{view}`` when another view was chosen in the view itself; empty when it was left."""
        return self._on("turned", told)

    def on_trouble(self, told: Told) -> CastView:
        """``{what, status}``: ``no webgl``, or a request that came to nothing."""
        return self._on("trouble", told)

    def _on(self, name: str, told: Told) -> CastView:
        def tell(event: GenericEventArguments) -> Any:
            return told(event.args if isinstance(event.args, dict) else {})

        self.on(name, tell)
        return self

    # --- saying ---------------------------------------------------------------------------------
    def _say(self, key: str, method: str, *given: Any) -> None:
        """Call a method in the browser, now or when the view is there. With a key it is kept, and
        said again to a view made anew.
        """
        kept = key or f"once {method}"
        if self._said.ready:
            self.run_method(method, *given)
        if key or not self._said.ready:
            self._said.calls.pop(kept, None)  # told again in the order of the last saying
            self._said.calls[kept] = (method, given)

    def _show(self, key: str, method: str, *given: Any) -> None:
        """The same for what nobody changes in the browser: the picture is not drawn again for what
        it shows already.
        """
        if self._said.calls.get(key) != (method, given):
            self._say(key, method, *given)

    def _keep_path(self, event: GenericEventArguments) -> None:
        """Where the browser went by itself is where a view made anew begins."""
        tilts = [event.args["anterior_tilt_deg"], event.args["lateral_tilt_deg"]]
        self._said.calls.pop("path", None)
        with self._props.suspend_updates():
            self._props["tilts"] = tilts

    def _tell_again(self) -> None:
        self._said.ready = True
        for method, given in list(self._said.calls.values()):
            self.run_method(method, *given)
        for kept in [key for key in self._said.calls if key.startswith("once ")]:
            del self._said.calls[kept]


def _layer(layer: Layer) -> dict[str, Any]:
    plain = asdict(layer)
    plain["colour"] = [float(part) for part in layer.colour]
    plain["gauges_mm"] = [float(gauge) for gauge in layer.gauges_mm][:4]
    return plain


def _style(style: LineStyle | None) -> dict[str, Any]:
    asked = style or LineStyle()
    plain = asdict(asked)
    plain["colour"] = [float(part) for part in asked.colour]
    plain["at_direction"] = None if asked.at_direction is None else _triple(asked.at_direction)
    return plain


def _triple(point: Triple) -> list[float]:
    x, y, z = (float(part) for part in point)
    return [x, y, z]


def _ramp(colours: Floats) -> str:
    """256 colours as base64 of 768 bytes."""
    return base64.b64encode(bytes_of(colours).tobytes()).decode("ascii")
