"""The page of one sitting: steps on the left, the cast on the right, the gauge below."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

import numpy as np
from nicegui import run, ui

from blockout.errors import BlockoutError
from blockout.report.colours import bytes_of, depth_colours
from blockout.web.pages.arms_panel import ArmsPanel
from blockout.web.pages.bench import DEEPEST_SHOWN_MM, Bench, let_go, trouble
from blockout.web.pages.build_panel import BuildPanel
from blockout.web.pages.cast_panel import CastPanel
from blockout.web.pages.check_panel import CheckPanel
from blockout.web.pages.path_panel import PathPanel
from blockout.web.pages.profile import ProfileBox
from blockout.web.pages.report_panel import ReportPanel
from blockout.web.pages.style import dress, theme_button
from blockout.web.pages.teeth_panel import TeethPanel
from blockout.web.pages.wax_panel import WaxPanel
from blockout.web.showing import Showing
from blockout.web.sitting import Sitting
from blockout.web.view.element import CastView

_LOOK_FOR_CHANGES_S: Final = 1.0
_VIEWS: Final = {
    "path": "Along the path",
    "occlusal": "Occlusal",
    "right": "Right",
    "left": "Left",
    "front": "Front",
    "back": "Behind",
}


class Panel(Protocol):
    """What is behind one step."""

    def build(self) -> object: ...

    def refresh(self) -> object: ...


def table_page(
    sitting: Sitting, showing: Showing, *, most_bytes: int, log: Path | None = None
) -> None:
    """All of it; made anew from the sitting whenever the browser asks."""
    dress(f"{sitting.case.name or sitting.file.name} - blockout")
    bench = Bench(sitting, showing, log=log)
    look = showing.look()
    with ui.element("header").classes("bar"):
        _bar(bench)
    with ui.element("main").classes("table"):
        # the view is made first, since panels listen to it, and moved behind them on the page
        with ui.element("div").classes("stage") as stage:
            tools = ui.element("div").classes("tools")
            _hint(bench)
            bench.view = CastView(
                layers=bench.layers(),
                frame=sitting.cast.frame,
                arch=sitting.cast.arch,
                arch_stated=sitting.cast.arch_stated,
                depth_url=f"/at/{sitting.id}/depth",
                probe_url=f"/at/{sitting.id}/probe",
                pictures=[
                    (f"/at/{sitting.id}/picture/{name}", name)
                    for name in ("model_occlusal", "model_right", "model_left", "model_front")
                ],
                tilts_deg=(look.path.anterior_tilt_deg, look.path.lateral_tilt_deg),
                most_tilt_deg=sitting.case.path.max_tilt_deg,
            )
            bench.view.classes("cast-view")
            profile = ProfileBox(bench)
            ui.context.client.on_delete(lambda: let_go(profile))
            with tools:
                _tools(bench, profile)
            profile.build()
            _gauge(bench)
        with ui.element("div").classes("steps") as steps:
            _steps(bench, most_bytes)
        steps.move(target_index=0)
        assert stage.parent_slot is not None
    bench.view.on_clicked(bench.clicked)
    bench.view.on_drawn(bench.drawn)
    bench.view.on_ended(lambda told: bench.finish() if bench.tool else None)

    async def rested(told: dict[str, Any]) -> None:
        await bench.tilted(told["anterior_tilt_deg"], told["lateral_tilt_deg"])

    bench.view.on_tilted(rested)
    bench.view.on_selected(lambda told: bench.marker_pressed(told["key"]))
    bench.refresh()
    ui.timer(0.05, bench.show_look, once=True)
    ui.timer(_LOOK_FOR_CHANGES_S, bench.look_for_changes)


def _bar(bench: Bench) -> None:
    sitting = bench.sitting
    with ui.element("a").props('href="/" aria-label="All cases"').classes("mark"):
        ui.label("blockout")

    @ui.refreshable
    def state() -> None:
        case = sitting.case
        ui.label(case.name or sitting.file.name).classes("case-name")
        ui.label("saved" if sitting.saved else "not saved").classes("saved-state").props(
            'role="status"'
        )
        undo = ui.button("Undo", on_click=lambda: _step(bench, -1)).props("flat dense")
        undo.set_enabled(sitting.undo_words is not None)
        if sitting.undo_words:
            undo.tooltip(f"Undo: {sitting.undo_words}")
        redo = ui.button("Redo", on_click=lambda: _step(bench, 1)).props("flat dense")
        redo.set_enabled(sitting.redo_words is not None)
        if sitting.redo_words:
            redo.tooltip(f"Redo: {sitting.redo_words}")
        save = ui.button("Save", on_click=lambda: _save(bench)).props("dense unelevated")
        save.set_enabled(not sitting.saved)
        if sitting.trouble:
            ui.label(sitting.trouble).classes("warn")

    bench.watch(state, always=True)
    with ui.element("div").classes("bar-state"):
        state()
    theme_button()
    ui.keyboard(on_key=lambda e: _keys(bench, e), ignore=["input", "select", "textarea"])
    _offered(bench)


async def _keys(bench: Bench, event: Any) -> None:
    if not event.action.keydown or not (event.modifiers.ctrl or event.modifiers.meta):
        return
    if event.key == "z":
        await _step(bench, 1 if event.modifiers.shift else -1)
    elif event.key == "y":
        await _step(bench, 1)
    elif event.key == "s":
        _save(bench)


async def _step(bench: Bench, way: int) -> None:
    sitting = bench.sitting
    cast = sitting.cast
    try:
        words = await run.io_bound(sitting.undo if way < 0 else sitting.redo)
    except BlockoutError as error:
        trouble(error)
        return
    if words is None:
        return
    if sitting.cast is not cast:  # another arch, say: all of the page hangs on it
        ui.navigate.reload()
        return
    ui.notify(f"{'Undone' if way < 0 else 'Done again'}: {words}")
    look = await run.io_bound(bench.showing.look)
    if look is None:  # the server is ending
        return
    path = look.path
    bench.go_to(path.anterior_tilt_deg, path.lateral_tilt_deg)
    bench.put_down()


def _save(bench: Bench) -> None:
    try:
        bench.sitting.save()
    except BlockoutError as error:
        if bench.sitting.conflict:
            _settle(bench, str(error))
        else:
            trouble(error)
        return
    ui.notify(f"Saved to {bench.sitting.file.name}", type="positive")
    bench.refresh()


def _settle(bench: Bench, words: str) -> None:
    """The file was changed by someone else: whose is to stay?"""
    with ui.dialog() as dialog, ui.card():
        ui.label(words)

        def mine() -> None:
            dialog.close()
            bench.sitting.save(over=True)
            bench.refresh()

        async def theirs() -> None:
            dialog.close()
            await _take_up(bench.sitting.read_again)

        with ui.row():
            ui.button("Save over it", on_click=mine)
            ui.button("Take the file as it is", on_click=theirs)
            ui.button("Neither", on_click=dialog.close).props("flat")
    dialog.open()


def _offered(bench: Bench) -> None:
    """Changes that an earlier sitting did not save."""
    offered = bench.sitting.offered
    if offered is None:
        return
    with ui.dialog().props("persistent") as dialog, ui.card():
        ui.label("Changes that were not saved").classes("card-title")
        ui.label(
            f"Someone left changes to this case unsaved ({offered.words or 'no words'}, "
            f"{offered.at:%Y-%m-%d %H:%M} UTC)."
        )

        async def take() -> None:
            dialog.close()
            await _take_up(bench.sitting.take_offered)

        def drop() -> None:
            dialog.close()
            bench.sitting.drop_offered()

        with ui.row():
            ui.button("Go on with them", on_click=take)
            ui.button("Throw them away", on_click=drop).props("flat")
            ui.button("Later", on_click=dialog.close).props("flat")
    dialog.open()


async def _take_up(read: Callable[[], object]) -> None:
    """Go on with another state of the case: its cast and path may be others, so that all of the
    page is made anew.
    """
    ui.notify("Making the cast anew where it changed.", type="ongoing")
    try:
        await run.io_bound(read)
    except BlockoutError as error:
        trouble(error)
        return
    ui.navigate.reload()


@dataclass(frozen=True)
class OpenStep:
    """Only the step that is open is made anew."""

    tabs: ui.tabs
    panels: Mapping[str, Panel]

    def refresh(self) -> None:
        self.panels[str(self.tabs.value)].refresh()


def _steps(bench: Bench, most_bytes: int) -> None:
    cast, path, teeth = CastPanel(bench), PathPanel(bench), TeethPanel(bench)
    arms, wax, built = ArmsPanel(bench), WaxPanel(bench), BuildPanel(bench)
    checked, report = CheckPanel(bench, most_bytes=most_bytes), ReportPanel(bench)
    panels: dict[str, Panel] = {
        "Cast": cast,
        "Path": path,
        "Teeth": teeth,
        "Arms": arms,
        "Wax": wax,
        "Build": built,
        "Check": checked,
        "Report": report,
    }
    workings = (path.search, built.work, checked.try_in, checked.compare)
    ui.context.client.on_delete(lambda: let_go(*panels.values(), *workings))
    with (
        ui.tabs()
        .props('vertical no-caps dense aria-label="Steps of the work"')
        .classes("step-names") as tabs
    ):
        for number, name in enumerate(panels, start=1):
            ui.tab(name, label=f"{number} {name}")

    first = "Path" if bench.sitting.cast.arch_stated else "Cast"
    with ui.tab_panels(tabs, value=first, animated=False).classes("step-panels"):
        for name, panel in panels.items():
            with ui.tab_panel(name).classes("step"):
                panel.build()
    bench.watch(OpenStep(tabs, panels))
    tabs.on_value_change(lambda: panels[str(tabs.value)].refresh())


def _tools(bench: Bench, profile: ProfileBox) -> None:
    view = bench.view
    assert view is not None
    seen = {"view": "path"}

    def choose(event: Any) -> None:
        if event.value and event.value != seen["view"]:
            seen["view"] = event.value
            view.set_view(event.value)

    chosen = ui.select(_VIEWS, value="path", label="View", on_change=choose)
    chosen.props("dense options-dense").classes("tool-select")

    def follow(told: dict[str, Any]) -> None:
        seen["view"] = told["view"]
        chosen.set_value(told["view"] or None)

    view.on_turned(follow)
    ui.switch(
        "Perspective",
        on_change=lambda e: view.set_projection("perspective" if e.value else "orthographic"),
    ).props("dense")
    ui.switch(
        "Undercut",
        value=True,
        on_change=lambda e: view.set_shading(undercut=e.value, hatch=e.value),
    ).props("dense")
    ui.button("All of it", on_click=view.zoom_to_fit).props("flat dense")
    ui.button("Section...", on_click=profile.begin).props("flat dense")


def _hint(bench: Bench) -> None:
    """What a click means now."""

    @ui.refreshable
    def strip() -> None:
        tool = bench.tool
        if tool is None:
            return
        with ui.element("div").classes("pen").props('role="status"'):
            ui.label(tool.title)
            if tool.least > 1:
                ui.label(f"{len(tool.points)} points. Click to add, drag to move, Delete removes.")
                ui.button("Done", on_click=bench.finish).props("dense unelevated")
            ui.button("Put down", on_click=bench.put_down).props("dense flat")

    bench.watch(strip, always=True)
    strip()


def _gauge(bench: Bench) -> None:
    """What the gauge read at the last click."""

    @ui.refreshable
    def reading() -> None:
        told = bench.last_click
        if not told.get("point_mm"):
            ui.label("Hover or click to read the gauge.")
            return
        x, y, z = told["point_mm"]
        ui.label(f"Gauge: {told['said']}").classes("reading")
        ui.label(f"at {x:.2f}, {y:.2f}, {z:.2f} mm").classes("hint")

    bench.watch(reading, always=True)
    with ui.element("div").classes("gauge"):
        with ui.element("div").classes("gauge-reading").props('aria-live="polite"'):
            reading()
        _colour_key(bench)


def _colour_key(bench: Bench) -> None:
    """Which colour is which depth, and where the gauge lines are."""
    colours = bytes_of(depth_colours(np.linspace(0.0, 1.0, 9), deepest_mm=1.0)).tolist()
    ramp = ", ".join(f"rgb({red} {green} {blue})" for red, green, blue in colours)
    lines = ", ".join(f"{gauge:g}" for gauge in bench.sitting.case.survey.gauges_mm)
    with ui.element("div").classes("colour-key"):
        ui.label("Undercut 0")
        ui.element("div").classes("ramp").style(f"background: linear-gradient(to right, {ramp})")
        ui.label(f"{DEEPEST_SHOWN_MM:g} mm and more; lines at {lines} mm")
