"""The report of the build: one file to read, print and keep."""

from __future__ import annotations

from nicegui import ui

from blockout.report.cautions import CAUTIONS
from blockout.web.pages.bench import Bench


class ReportPanel:
    """The file that ``blockout report`` writes."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def refresh(self) -> None:
        """Show the case as it is now."""
        self.build.refresh()

    @ui.refreshable_method
    def build(self) -> None:
        """Open it, or keep it."""
        bench = self.bench
        with ui.element("section").classes("card"):
            ui.label("Report").classes("card-title")
            if bench.showing.document("build") is None:
                ui.label("Build the model first.").classes("hint")
            else:
                if bench.showing.is_stale():
                    ui.label("The case was changed since the build; build again.").classes("warn")
                ui.label(
                    "One file with path, figures, parts, pictures, sections, warnings and lines to "
                    "sign. Print it with the browser; it is laid out for A4."
                ).classes("hint")
                at = f"/at/{bench.sitting.id}"
                ui.link("Open the report", f"{at}/report", new_tab=True).classes("download")
                ui.link("Keep the report", f"{at}/get/report").classes("download").props("download")
        with ui.element("section").classes("card"):
            ui.label("Cautions").classes("card-title")
            with ui.element("ul"):
                for caution in CAUTIONS:
                    with ui.element("li"):
                        ui.label(caution)
