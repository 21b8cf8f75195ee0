"""One browser tab at the table: its sitting, its view, and what the next click means."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from nicegui import background_tasks, run, ui
from nicegui.functions.refreshable import refreshable

from blockout.arms.arm import Arm
from blockout.case.arm_settings import ArmSettings
from blockout.case.case import Case
from blockout.case.editing import Drawn, drawn, with_path, with_points
from blockout.errors import BlockoutError, Place
from blockout.job.looks import Look
from blockout.mesh import Floats
from blockout.report.colours import OTHER_WAX, SURVEY_LINE, WAX
from blockout.web.showing import Showing
from blockout.web.sitting import Sitting
from blockout.web.view.element import CastView, Layer, LineStyle, Marker

_TILT_STEP_DEG: Final = 0.005
_WIDE_MM: Final = 14.0
_AHEAD_MM: Final = 15.0  # a tongue's width: the other side of the arch is further
DEEPEST_SHOWN_MM: Final = 0.75


class Refreshed(Protocol):
    """A part of the page that is made anew after a change."""

    def refresh(self) -> object: ...


@dataclass
class Tool:
    """What clicks on the cast mean until it is put down.

    Parameters
    ----------
    title : str
        Said above the view.
    take : function
        Gets the points, in the order they were set; whether they were taken.
    least : int
        How many points it needs; one that needs 1 is done with the first click.
    closed : bool
    """

    title: str
    take: Callable[[list[Place]], bool]
    least: int = 1
    closed: bool = False
    points: list[Place] = field(default_factory=list)


class Bench:
    """What all panels share."""

    def __init__(self, sitting: Sitting, showing: Showing, *, log: Path | None = None) -> None:
        self.log = log
        self.sitting = sitting
        self.showing = showing
        self.view: CastView | None = None
        self.tool: Tool | None = None
        self.hidden: set[str] = set()
        self._made_room: set[str] = set()
        self.opacity: dict[str, float] = {}
        self._seen: set[str] = set()
        self.editing: str = ""
        self.last_click: dict[str, Any] = {}
        self.laid: tuple[tuple[ArmSettings, Arm | str], ...] = ()
        self.when_laid: Callable[[], None] = lambda: None
        self._known: list[ArmSettings] | None = None  # arms that were laid before
        self._client = ui.context.client
        self._headings: list[Refreshed] = []
        self._parts: list[Refreshed] = []
        self._shown_case: Case | None = None
        self._shown_look: Look | None = None
        self._reading = asyncio.Lock()
        self._asked = 0

    # --- the page ---------------------------------------------------------------------------
    def watch(self, part: Refreshed, *, always: bool = False) -> None:
        """Make this part anew after changes; ``always`` also after a click and after a change of a
        single field, whose form stays as it is, since somebody types in it.
        """
        (self._headings if always else self._parts).append(part)

    def refresh(self) -> None:
        """Show the case as it is now, everywhere."""
        self._shown_case = self.sitting.case
        self._shown_look = self.showing.look()
        for part in (*self._headings, *self._parts):
            part.refresh()
        self.show_drawn()

    def _refresh_headings(self) -> None:
        for part in self._headings:
            part.refresh()

    def soon(self) -> None:
        """Show the case as it is now, once its look and teeth are read beside the server's loop."""
        background_tasks.create(self.show_look(), name="read along the path")

    def look_for_changes(self) -> None:
        """Show what another tab changed."""
        if self._shown_case is not self.sitting.case:
            self.soon()

    # --- changing the case -------------------------------------------------------------------
    def change(self, words: str, make: Callable[[Case], Case], *, redraw: bool = True) -> bool:
        """Change the case, or say why it cannot be changed; whether it was."""
        try:
            self.sitting.change(words, make(self.sitting.case))
        except BlockoutError as error:
            trouble(error)
            return False
        if redraw:
            self.soon()
        else:
            self._shown_case = self.sitting.case
            self._refresh_headings()
            self.show_drawn()
            self.soon()
        return True

    async def change_cast(self, words: str, make: Callable[[Case], Case]) -> None:
        """Change what the cast is made of: it is made anew, and the page with it."""
        ui.notify("Making the cast anew.", type="ongoing")
        try:
            case = make(self.sitting.case)
            await run.io_bound(lambda: self.sitting.change(words, case))
        except BlockoutError as error:
            trouble(error)
            return
        ui.navigate.reload()

    async def tilted(self, anterior_tilt_deg: float, lateral_tilt_deg: float) -> None:
        """The path rests at these tilts: put them into the case, and read along them."""
        path = self.showing.path()
        off_deg = max(
            abs(path.anterior_tilt_deg - anterior_tilt_deg),
            abs(path.lateral_tilt_deg - lateral_tilt_deg),
        )
        if off_deg > _TILT_STEP_DEG:
            anterior, lateral = round(anterior_tilt_deg, 2), round(lateral_tilt_deg, 2)
            self.change(
                f"tilt to {anterior:g}, {lateral:g} degrees",
                lambda case: with_path(case, anterior_tilt_deg=anterior, lateral_tilt_deg=lateral),
                redraw=False,
            )
        await self.show_look()

    def go_to(self, anterior_tilt_deg: float, lateral_tilt_deg: float) -> None:
        """Tilt the cast, as by hand."""
        if self.view is not None:
            self.view.tilt(anterior_tilt_deg, lateral_tilt_deg)

    # --- the view ----------------------------------------------------------------------------
    def go_near(
        self, place: Place | Floats, toward: Floats | None = None, *, width_mm: float = _WIDE_MM
    ) -> None:
        """Look at a place from near by, from where its surface is seen unless told from where."""
        if self.view is not None:
            looked = self.showing.seen_from(place) if toward is None else toward
            self.view.fly_to(place, looked, width_mm=width_mm, ahead_mm=_AHEAD_MM)

    async def show_look(self) -> None:
        """Numbers, survey lines and teeth along the path as it is now; of several that ask while
        one is read, only the last is answered.
        """
        self._asked += 1
        mine = self._asked
        async with self._reading:
            if mine != self._asked:
                return
            try:
                look = await run.io_bound(self.showing.look)
                await run.io_bound(self.showing.teeth_or_trouble)
                if mine == self._asked:
                    self._show_read(look)
                    # arms take as long again: what was read does not wait for them
                    laid = await run.io_bound(self.showing.arms)
                    if mine == self._asked:
                        self._take_laid(laid or ())
                        self.show_drawn()
            except BlockoutError as error:
                with self._client:
                    trouble(error)

    def _show_read(self, look: Look | None) -> None:
        if look is not self._shown_look:
            self.laid = ()
        if self.view is not None and look is not None:
            where = "_".join(f"{value:.9f}" for value in look.path.direction)
            self.view.set_lines_from(
                "survey line",
                f"/at/{self.sitting.id}/survey-lines?v={where}",
                LineStyle(
                    colour=SURVEY_LINE,
                    at_direction=look.path.direction,
                    survey=True,
                ),
            )
        if look is not self._shown_look or self.sitting.case is not self._shown_case:
            with self._client:
                self.refresh()

    def _take_laid(self, laid: tuple[tuple[ArmSettings, Arm | str], ...]) -> None:
        """Keep how the arms lie, and say which new one cannot."""
        known, self._known = self._known, [one for one, _ in laid]
        self.laid = laid
        self.when_laid()
        for one, found in laid:
            if isinstance(found, str) and known is not None and one not in known:
                with self._client:
                    ui.notify(f"{one.title}: {found}", type="warning", multi_line=True)

    def layers(self) -> list[Layer]:
        """All meshes there are now: the cast, the build's parts, what checks left."""
        at = f"/at/{self.sitting.id}"
        case = self.sitting.case
        found = [
            Layer(
                name="cast",
                label="cast",
                url=f"{at}/cast?v={id(self.showing.cast)}",
                map="depth",
                full_mm=2.55,
                last_mm=DEEPEST_SHOWN_MM,
                gauges_mm=tuple(case.survey.gauges_mm)[:4],
                opacity=self.opacity.get("cast", 1.0),
                shown="cast" not in self.hidden,
                surveyed=True,
            )
        ]
        summary = self.showing.document("build")
        if summary is not None:
            stamp = self.showing.stamp("build")
            for part in summary["parts"]:
                if not part["triangles"]:
                    continue
                found.append(
                    Layer(
                        name=part["name"],
                        label=f"{part['name']} ({part['kind']})",
                        url=f"{at}/part/{part['name']}?v={stamp}",
                        colour=WAX.get(part["kind"], OTHER_WAX),
                        hatch_deg=_HATCH_DEG.get(part["kind"]),
                        opacity=self.opacity.get(part["name"], 1.0),
                        shown=part["name"] not in self.hidden,
                    )
                )
        for name, path in self.showing.left_files().items():
            stamp = path.stat().st_mtime_ns
            deviates = name.startswith("scan-")
            if deviates and name not in self._seen:
                self.hidden.add(name)  # it covers everything else: shown when asked for
            self._seen.add(name)
            mapped = deviates or name == "framework"
            found.append(
                Layer(
                    name=name,
                    label=name.replace("-", " "),
                    url=f"{at}/left/{name}?v={stamp}",
                    colour=_TOO_MUCH if name.startswith("interference") else _METAL,
                    map="deviation" if deviates else "depth" if mapped else "none",
                    levels_url=f"{at}/left/{name}/levels?full_mm=0.5&v={stamp}" if mapped else "",
                    full_mm=0.5,
                    last_mm=0.5,
                    opacity=self.opacity.get(name, 1.0),
                    shown=name not in self.hidden,
                )
            )
        return found

    def show(self, name: str, on: bool) -> None:
        """Show or hide a layer; a comparison's map lies on the model, so the rest makes room while
        it is shown.
        """
        others = [layer.name for layer in self.layers() if layer.name != name]
        (self.hidden.discard if on else self.hidden.add)(name)
        if on and name.startswith("scan-"):
            self._made_room = {other for other in others if other not in self.hidden}
            self.hidden.update(others)
        elif name.startswith("scan-"):
            self.hidden -= self._made_room
        if self.view is not None:
            for layer in (name, *others):
                self.view.show_layer(layer, layer not in self.hidden)
        if name.startswith("scan-"):
            self.refresh()

    def show_layers(self) -> None:
        """Load what was built or checked into the view."""
        if self.view is not None:
            self.view.set_layers(self.layers())

    def show_drawn(self) -> None:
        """Everything of the case that lies on the cast."""
        if self.view is None:
            return
        lines, markers = [], []
        for one in drawn(self.sitting.case):
            if one.address.startswith("teeth.tooth") and len(one.points_mm) == 1:
                markers.append(
                    Marker(
                        at_mm=one.points_mm[0],
                        text=one.title.removeprefix("tooth "),
                        shape="tooth",
                        key=one.address,
                    )
                )
            elif len(one.points_mm) == 1:
                markers.append(
                    Marker(at_mm=one.points_mm[0], text=one.title, shape="point", key=one.address)
                )
            elif one.address != self.editing:
                lines.append({"points": one.points_mm, "closed": one.closed})
        self.view.set_lines("drawn", lines, LineStyle(colour=(0.72, 0.18, 0.42), dash_mm=1.2))
        laid = [self.arm_laid(one) for one in self.sitting.case.arm]
        bands = [
            {"points": np.concatenate([arm.lower, arm.upper[::-1]]), "closed": True}
            for arm in laid
            if isinstance(arm, Arm)
        ]
        self.view.set_lines("arms", bands, LineStyle(colour=(0.05, 0.35, 0.62), width_px=2.5))
        self.view.set_markers([*markers, *self._crown_markers(markers), *self._warning_markers()])

    def arm_laid(self, settings: ArmSettings) -> Arm | str | None:
        """An arm of the case on its tooth, or why it cannot lie there; None if not known yet."""
        return next((laid for one, laid in self.laid if one == settings), None)

    def _crown_markers(self, named: Sequence[Marker]) -> list[Marker]:
        """Numbers of the crowns that were counted along the arch."""
        teeth, _ = self.showing.teeth_or_trouble()
        said = {marker.text for marker in named}
        crowns = () if teeth is None else teeth.crowns
        return [
            Marker(at_mm=crown.centre_mm, text=str(crown.number), shape="tooth")
            for crown in crowns
            if str(crown.number) not in said
        ]

    def _warning_markers(self) -> list[Marker]:
        summary = self.showing.document("build")
        return [
            Marker(at_mm=place, text=f"! {number}", shape="warning", key=f"warning.{number - 1}")
            for number, warning in enumerate((summary or {}).get("warnings", ()), start=1)
            for place in (warning.get("places_mm") or [])[:1]
        ]

    # --- drawing -----------------------------------------------------------------------------
    def draw(
        self,
        title: str,
        take: Callable[[list[Place]], bool],
        *,
        least: int = 1,
        closed: bool = False,
        points: Sequence[Place] = (),
    ) -> None:
        """Begin to set points on the cast."""
        self.put_down(silent=True)
        self.tool = Tool(title, take, least=least, closed=closed, points=list(points))
        if self.view is not None and least > 1:
            self.view.set_drawing(self.tool.points, closed=closed, kind=title)
        self.refresh()

    def edit(self, one: Drawn) -> None:
        """Take up what is drawn already: every move of a point changes the case."""
        if len(one.points_mm) == 1:
            self.draw(
                f"Move: {one.title}",
                lambda points: self.change(
                    f"move {one.title}", lambda case: with_points(case, one.address, points)
                ),
            )
            return
        self.draw(
            f"Points of: {one.title}",
            lambda points: self.change(
                f"move points of {one.title}",
                lambda case: with_points(case, one.address, points),
            ),
            least=3 if one.closed else 2,
            closed=one.closed,
            points=one.points_mm,
        )
        self.editing = one.address
        self.show_drawn()

    def clicked(self, told: dict[str, Any]) -> None:
        """A click on the cast, answered by the probe."""
        self.last_click = told
        if self.tool is not None and self.tool.least == 1 and told.get("point_mm"):
            x, y, z = told["point_mm"]
            tool = self.tool
            if tool.take([(x, y, z)]):
                self.put_down()
            return
        self._refresh_headings()

    def marker_pressed(self, key: str) -> None:
        """Go to a warning's place, or take up the point that the marker stands for."""
        if self.tool is not None:  # a click means a point now
            return
        if key.startswith("warning."):
            summary = self.showing.document("build") or {}
            self.go_near(summary["warnings"][int(key.removeprefix("warning."))]["places_mm"][0])
            return
        for one in drawn(self.sitting.case):
            if one.address == key:
                self.edit(one)

    def drawn(self, told: dict[str, Any]) -> None:
        """The line under the pen has other points now."""
        if self.tool is not None:
            self.tool.points = [(x, y, z) for x, y, z in told["points"]]
            self._refresh_headings()

    def finish(self) -> None:
        """What was drawn is to be taken."""
        tool = self.tool
        if tool is None:
            return
        if len(tool.points) < tool.least:
            ui.notify(
                f"{len(tool.points)} points are set, at least {tool.least} are needed.",
                type="warning",
            )
            return
        if tool.take(tool.points):
            self.put_down()

    def put_down(self, *, silent: bool = False) -> None:
        """Clicks mean nothing any more; what was not taken is gone."""
        self.tool = None
        self.editing = ""
        if self.view is not None:
            self.view.set_drawing(None)
        if not silent:
            self.refresh()


_METAL: Final = (0.62, 0.66, 0.70)  # and of a scan, where nothing is planned
_TOO_MUCH: Final = (0.85, 0.24, 0.15)
_HATCH_DEG: Final = {"parallel": 45.0, "ledge": -45.0, "relief": 0.0, "arbitrary": 90.0}


def let_go(*parts: object) -> None:
    """Take what refreshes these parts out of their classes, where the framework keeps it until the
    next refresh, and with it all of a page that was left.
    """
    for part in parts:
        for method in vars(type(part)).values():
            if isinstance(method, refreshable):
                method.targets = [one for one in method.targets if one.instance is not part]
                if method.instance is part:
                    method.instance = None


def trouble(error: BlockoutError) -> None:
    """Say in the page what went wrong, with what mends it."""
    said = str(error)
    ui.notify(
        said[:1].upper() + said[1:],
        type="negative",
        multi_line=True,
        timeout=0,
        close_button="Close",
        classes="blockout-trouble",
    )
