"""A section through a place: cast, wax and path in profile, with a scale and the gauge."""

from __future__ import annotations

from typing import Any

import numpy as np
from nicegui import run, ui

from blockout.errors import BlockoutError
from blockout.web.pages.bench import Bench, trouble
from blockout.web.profile_drawing import Plane, profile_svg
from blockout.web.view.element import LineStyle


class ProfileBox:
    """Begun by a click; moved along and turned about the path by two sliders."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.plane: Plane | None = None
        self.move_mm = 0.0
        self.turn_deg = 0.0
        self.depth_mm: float | None = None
        self.drawing = ""

    def begin(self) -> None:
        """The next click says where."""

        def take(points: list[tuple[float, float, float]]) -> bool:
            told: dict[str, Any] = self.bench.last_click
            along = self.bench.showing.look().path.direction
            self.plane = Plane.through(points[0], normal=told["normal"], path=along)
            self.depth_mm = told.get("depth_mm")
            self.move_mm = self.turn_deg = 0.0
            ui.timer(0.01, self.cut, once=True)
            return True

        self.bench.draw("Click where the section goes", take)

    async def cut(self) -> None:
        """Cut where the plane is now."""
        plane = self._moved()
        view = self.bench.view
        if plane is None or view is None:
            return
        try:
            lines = await run.io_bound(self.bench.showing.section, plane.point_mm, plane.normal)
            if lines is None:  # the server is ending
                return
        except BlockoutError as error:
            trouble(error)
            return
        read_here = self.move_mm == 0.0  # the gauge was read there, not where the plane went since
        self.drawing = profile_svg(plane, lines, depth_mm=self.depth_mm if read_here else None)
        view.set_section(plane.point_mm, plane.normal)
        if self.move_mm == self.turn_deg == 0.0:  # as it is begun: look at what is cut
            view.look_from(plane.normal, at_mm=plane.point_mm)
        view.set_lines(
            "section",
            [{"points": line} for found in lines.values() for line in found],
            LineStyle(width_px=2.0, through=1.0),
        )
        self.build.refresh()

    def _moved(self) -> Plane | None:
        if self.plane is None:
            return None
        return self.plane.moved(self.move_mm).turned(np.radians(self.turn_deg))

    def close(self) -> None:
        """Show all of the cast again."""
        self.plane = None
        self.drawing = ""
        if self.bench.view is not None:
            self.bench.view.set_section(None)
            self.bench.view.remove_lines("section")
        self.build.refresh()

    async def _set(self, name: str, value: float) -> None:
        setattr(self, name, value)
        await self.cut()

    @ui.refreshable_method
    def build(self) -> None:
        """The drawing, with what moves it."""
        if not self.drawing:
            return
        with ui.element("aside").classes("profile").props('aria-label="Section"'):
            with ui.row().classes("profile-head"):
                ui.label("Section along the path").classes("card-title")
                ui.button("Close", on_click=self.close).props("flat dense")
            ui.html(self.drawing, sanitize=False)
            for label, name, most in (
                ("Move, mm", "move_mm", 8.0),
                ("Turn about the path, degrees", "turn_deg", 90.0),
            ):
                ui.label(label).classes("hint")
                ui.slider(min=-most, max=most, step=most / 40.0, value=getattr(self, name)).props(
                    f'dense aria-label="{label}"'
                ).on("change", lambda e, name=name: self._set(name, float(e.args)), throttle=0.2)
