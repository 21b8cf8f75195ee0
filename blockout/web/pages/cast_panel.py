"""The cast as it was made of the scan, and its name."""

from __future__ import annotations

from nicegui import ui

from blockout.case.editing import with_values
from blockout.web.pages.bench import Bench
from blockout.web.pages.forms import fields


class CastPanel:
    """First step: is this the right cast, whole and the right way round?"""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def refresh(self) -> None:
        """Show the case as it is now."""
        self.build.refresh()

    @ui.refreshable_method
    def build(self) -> None:
        """Facts of the cast; what is asked of the technician is which arch it is."""
        bench, case = self.bench, self.bench.sitting.case
        prepared = bench.sitting.prepared
        cast = prepared.cast
        with ui.element("section").classes("card"):
            ui.label("Case").classes("card-title")
            fields(bench, "", case, ["name"])
            ui.select(
                {"lower": "lower arch", "upper": "upper arch"},
                value=case.cast.arch,
                label="Which arch is it?",
                on_change=lambda e: bench.change_cast(
                    "say which arch it is",
                    lambda now: with_values(now, "cast", {"arch": e.value}),
                ),
            ).props("dense").classes("field")
            if not cast.arch_stated:
                ui.label(
                    "The shape does not tell which arch it is. It decides on which side the "
                    "patient's right lies."
                ).classes("warn")
        with ui.element("section").classes("card"):
            ui.label("Scan").classes("card-title")
            size = cast.mesh.bounds_mm[1] - cast.mesh.bounds_mm[0]
            rows = {
                "File": cast.source.name,
                "Triangles": f"{cast.mesh.triangle_count:,}",
                "Size": " x ".join(f"{value:.1f}" for value in size) + " mm",
                "Volume with its base": f"{cast.mesh.volume_mm3:,.0f} mm3",
                "Noise of the scan, estimated": f"{1000 * cast.noise_mm:.0f} um",
            }
            facts(rows)
        if prepared.changes or prepared.notes:
            with ui.element("section").classes("card"):
                ui.label("What was done to the scan").classes("card-title")
                with ui.element("ul"):
                    for change in prepared.changes:
                        with ui.element("li"):
                            ui.label(change.message)
                    for note in prepared.notes:
                        with ui.element("li"):
                            ui.label(note)


def facts(rows: dict[str, str]) -> None:
    """Names and figures in two columns."""
    with ui.element("dl").classes("facts"):
        for name, value in rows.items():
            with ui.element("dt"):
                ui.label(name)
            with ui.element("dd"):
                ui.label(value)
