"""Build the model: progress, layers, volumes, warnings that lead to their place, downloads."""

from __future__ import annotations

from typing import Any

from nicegui import ui

from blockout.history.log import append_build, warning_of
from blockout.web.pages.bench import Bench
from blockout.web.pages.cast_panel import facts
from blockout.web.pages.working import Working
from blockout.web.runs import Run

_DOWNLOADS = {
    "model-stl": "Model, STL",
    "model-3mf": "Model and parts, 3MF",
    "model-glb": "Model and parts, GLB",
    "wax": "Wax parts, STL in a ZIP",
    "case": "Case file",
    "summary": "All figures, JSON",
    "report": "Report, HTML",
}


class BuildPanel:
    """The same build as on the command line, into a folder beside the case file."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.work = Working(
            bench,
            label="Build the model",
            work="build",
            verb="build_case",
            arguments=lambda: {
                "case": bench.sitting.case_for_job,
                "out": bench.showing.folder("build"),
            },
            after=self._record,
        )

    def build(self) -> None:
        """The button, and what came of it."""
        with ui.element("section").classes("card"):
            ui.label("Block out and build").classes("card-title")
            ui.label(
                "Wax, model and summary are written into a folder beside the case file."
            ).classes("hint")
            self.work.build()
        self.found()

    def _record(self, done: Run) -> None:
        """Add the build to the log; where that fails it is said, and the build stands."""
        log, summary, file = self.bench.log, done.result, self.bench.sitting.file
        if log is None or summary is None:
            return
        said = warning_of(lambda: append_build(log, summary, case_file=str(file)))
        if said:
            ui.notify(said, type="warning")

    def refresh(self) -> None:
        """What came of it."""
        self.found.refresh()

    @ui.refreshable_method
    def found(self) -> None:
        """Volumes, warnings, layers and downloads of the build there is."""
        bench = self.bench
        summary = bench.showing.document("build")
        if summary is None:
            ui.label("Nothing is built yet.").classes("hint")
            return
        if bench.showing.is_stale():
            ui.label("The case was changed since this build; build again.").classes("warn")
        self._warnings(summary)
        self._parts(summary)
        with ui.element("section").classes("card"):
            ui.label("To keep").classes("card-title")
            with ui.element("div").classes("downloads"):
                for what, words in _DOWNLOADS.items():
                    ui.link(words, f"/at/{bench.sitting.id}/get/{what}").classes("download").props(
                        f'download data-what="{what}"'
                    )
            for caution in summary["cautions"]:
                ui.label(caution).classes("hint")

    def _warnings(self, summary: dict[str, Any]) -> None:
        with ui.element("section").classes("card").props('role="status"'):
            ui.label("Warnings").classes("card-title")
            if not summary["warnings"]:
                ui.label("None.")
            for number, warning in enumerate(summary["warnings"], start=1):
                with ui.row().classes("warning"):
                    ui.label(f"! {number}  {warning['message']}").classes("warn")
                    places = warning.get("places_mm") or []
                    if places:
                        ui.button(
                            "Go there", on_click=lambda place=places[0]: self.bench.go_near(place)
                        ).props(f'flat dense aria-label="Go to warning {number}"')
            for note in summary.get("notes", ()):
                ui.label(note).classes("hint")

    def _parts(self, summary: dict[str, Any]) -> None:
        bench = self.bench
        with ui.element("section").classes("card wide"):
            ui.label("Parts").classes("card-title")
            with ui.element("table").classes("list"):
                with ui.element("thead"), ui.element("tr"):
                    for head in ("Shown", "Part", "Volume, mm3", "Opacity"):
                        with ui.element("th").props('scope="col"'):
                            ui.label(head)
                with ui.element("tbody"):
                    cast_mm3 = bench.sitting.cast.mesh.volume_mm3
                    layer_row(bench, "cast", f"{cast_mm3:,.1f}")
                    for part in summary["parts"]:
                        if part["triangles"]:
                            layer_row(bench, part["name"], f"{part['volume_mm3']:.2f}")
            model = summary["model"]
            facts(
                {
                    "Model": f"{model['volume_mm3']:,.1f} mm3, {model['triangles']:,} triangles, "
                    + ("closed" if model["closed"] else "NOT CLOSED"),
                    "Undercut": f"{summary['undercut']['volume_mm3']:.1f} mm3, deepest "
                    f"{summary['undercut']['max_depth_mm']:.2f} mm",
                    "Deepest undercut left in the model": _left_words(summary.get("mould")),
                }
            )


def layer_row(bench: Bench, name: str, volume: str) -> None:
    """Show, hide and fade one layer."""
    with ui.element("tr"):
        with ui.element("td"):
            ui.checkbox(
                value=name not in bench.hidden,
                on_change=lambda e: _show(bench, name, e.value),
            ).props(f'dense aria-label="Show {name}"')
        with ui.element("td"):
            ui.label(name)
        with ui.element("td").classes("number"):
            ui.label(volume)
        with ui.element("td"):
            ui.slider(
                min=0.1,
                max=1.0,
                step=0.05,
                value=bench.opacity.get(name, 1.0),
                on_change=lambda e: _fade(bench, name, e.value),
            ).props(f'dense aria-label="Opacity of {name}"').classes("opacity")


def _show(bench: Bench, name: str, on: bool) -> None:
    bench.show(name, on)


def _fade(bench: Bench, name: str, opacity: float) -> None:
    bench.opacity[name] = opacity
    if bench.view is not None:
        bench.view.set_opacity(name, opacity)


def _left_words(mould: dict[str, Any] | None) -> str:
    """What a survey of the model finds, the windows of the arms beside it."""
    if mould is None:
        return "not surveyed"
    windows = ", ".join(
        f"{one['arm']} {one['undercut_mm']:.2f} mm" for one in mould.get("windows", ())
    )
    elsewhere = f"elsewhere {mould['elsewhere_undercut_mm']:.2f} mm"
    return f"{windows}; {elsewhere}" if windows else elsewhere
