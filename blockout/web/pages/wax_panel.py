"""Wax and grooves: parallel blockout and its zones, reliefs and their stops, beads, connectors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from nicegui import ui

from blockout.case.case import Case
from blockout.case.editing import (
    LINE_OF,
    drawn,
    with_bead,
    with_item,
    with_keep_in,
    with_keep_out,
    with_relief,
    with_stop,
    without_item,
)
from blockout.errors import Place
from blockout.web.pages.bench import Bench
from blockout.web.pages.forms import fields

_RELIEF_FIELDS = ["name", "thickness_mm", "edge", "between_teeth"]
_BEAD_FIELDS = ["name", "section", "on_lower"]
_OVER = {
    "base mesh": "ridge under a base (draw its crest)",
    "lingual bar": "tissue under a lingual bar (draw its upper border)",
    "gingival margin": "a gingival margin that metal crosses (draw the margin)",
    "torus": "a torus or raphe (draw around it)",
    "outline": "any zone (draw around it)",
}


class WaxPanel:
    """Everything drawn here is a line or an outline of the case file."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.over = "base mesh"

    def refresh(self) -> None:
        """Show the case as it is now."""
        self.build.refresh()

    @ui.refreshable_method
    def build(self) -> None:
        """One card for each kind."""
        self._parallel()
        self._reliefs()
        self._beads()
        bench, case = self.bench, self.bench.sitting.case
        with ui.element("section").classes("card"):
            ui.label("Arbitrary blockout, and borders of connectors").classes("card-title")
            fields(bench, "arbitrary", case.arbitrary, _names(case.arbitrary))
            fields(bench, "border", case.border, _names(case.border))

    def _parallel(self) -> None:
        bench, parallel = self.bench, self.bench.sitting.case.parallel
        with ui.element("section").classes("card"):
            ui.label("Parallel blockout").classes("card-title")
            fields(bench, "parallel", parallel, ["taper_deg", "floor_mm"])
            with ui.row():
                self._draw_button("Wax only inside...", "Draw around where wax goes", with_keep_in)
                self._draw_button(
                    "No wax inside...", "Draw around where no wax goes", with_keep_out
                )
            for key, words in (("keep_in", "Wax only inside"), ("keep_out", "No wax inside")):
                for index in range(len(getattr(parallel, key))):
                    self._drawn_row(
                        f"{words}, {index + 1}", f"parallel.{key}.{index}", f"parallel.{key}", index
                    )

    def _draw_button(
        self, label: str, title: str, put: Callable[[Case, Sequence[Place]], Case]
    ) -> None:
        bench = self.bench
        ui.button(
            label,
            on_click=lambda: bench.draw(
                title,
                lambda points: bench.change(
                    label.rstrip(".").lower(), lambda case: put(case, points)
                ),
                least=3,
                closed=True,
            ),
        ).props("flat")

    def _reliefs(self) -> None:
        bench, case = self.bench, self.bench.sitting.case
        with ui.element("section").classes("card"):
            ui.label("Relief").classes("card-title")
            ui.select(
                _OVER, value=self.over, label="Over", on_change=lambda e: self._choose(e.value)
            ).props("dense").classes("field")
            ui.button("Draw it", on_click=self._draw_relief).props("unelevated")
        for index, relief in enumerate(case.relief):
            with ui.expansion(relief.name or f"relief over {relief.over}").classes("card item"):
                fields(bench, f"relief.{index}", relief, _RELIEF_FIELDS)
                for key in ("outline", "upper_border", "lower_border", "crest", "margin"):
                    if getattr(relief, key):
                        self._drawn_row(key.replace("_", " "), f"relief.{index}.{key}", None, index)
                if relief.over == "lingual bar" and not relief.lower_border:
                    self._second_line(index, "lower_border", "Draw the lower border")
                if relief.over == "base mesh":
                    self._second_line(index, "finish_line", "Draw the finish line")
                    ui.button(
                        "Place a tissue stop", on_click=lambda index=index: self._stop(index)
                    ).props("flat")
                for number, _ in enumerate(relief.stops or ()):
                    self._drawn_row(
                        f"tissue stop {number + 1}",
                        f"relief.{index}.stops.{number}.centre",
                        f"relief.{index}.stops",
                        number,
                    )
                self._remove_button("relief", index)

    def _choose(self, over: str) -> None:
        self.over = over

    def _draw_relief(self) -> None:
        bench, over = self.bench, self.over
        line = LINE_OF[over]  # type: ignore[index]
        closed = line == "outline"
        values: dict[str, Any] = {}
        bench.draw(
            f"Relief: {_OVER[over]}",
            lambda points: bench.change(
                f"relief over {over}",
                lambda case: with_relief(case, over=over, points=points, **values),
            ),
            least=3 if closed else 2,
            closed=closed,
        )

    def _second_line(self, index: int, key: str, label: str) -> None:
        bench = self.bench

        def take(points: list[Place]) -> bool:
            def put(case: Case) -> Case:
                relief = case.relief[index].model_dump(
                    mode="json", by_alias=True, exclude_unset=True
                )
                return with_item(
                    case, "relief", relief | {key: [list(p) for p in points]}, index=index
                )

            return bench.change(label.lower(), put)

        ui.button(label, on_click=lambda: bench.draw(label, take, least=2)).props("flat")

    def _stop(self, index: int) -> None:
        bench = self.bench
        bench.draw(
            "Click on the crest where the tissue stop is",
            lambda points: bench.change(
                "place a tissue stop", lambda case: with_stop(case, index, points[0])
            ),
        )

    def _beads(self) -> None:
        bench, case = self.bench, self.bench.sitting.case
        with ui.element("section").classes("card"):
            ui.label("Beads along a connector's border").classes("card-title")
            ui.button(
                "Draw a bead",
                on_click=lambda: bench.draw(
                    "Draw the bead along the connector's border",
                    lambda points: bench.change(
                        "draw a bead", lambda case: with_bead(case, line=points)
                    ),
                    least=2,
                ),
            ).props("unelevated")
        for index, bead in enumerate(case.bead):
            with ui.expansion(bead.name or f"bead {index + 1}").classes("card item"):
                fields(bench, f"bead.{index}", bead, _BEAD_FIELDS)
                self._drawn_row("line", f"bead.{index}.line", "bead", index)

    def _drawn_row(self, words: str, address: str, items: str | None, index: int) -> None:
        """What is drawn: take it up, or take it away."""
        bench = self.bench
        there = [one for one in drawn(bench.sitting.case) if one.address == address]
        if not there:
            return
        with ui.row().classes("drawn"):
            ui.label(f"{words}: {len(there[0].points_mm)} points")
            ui.button("Move points", on_click=lambda: bench.edit(there[0])).props(
                f'flat dense aria-label="Move points of {words}"'
            )
            if items is not None:
                self._remove_button(items, index)

    def _remove_button(self, items: str, index: int) -> None:
        bench = self.bench
        what = items.split(".")[-1].replace("_", " ")
        ui.button(
            "Remove",
            on_click=lambda: bench.change(
                f"remove {what} {index + 1}", lambda case: without_item(case, items, index)
            ),
        ).props(f'flat dense aria-label="Remove {what} {index + 1}"')


def _names(settings: Any) -> list[str]:
    """Keys that are single values."""
    return [
        name
        for name in type(settings).model_fields
        if not isinstance(getattr(settings, name), tuple | dict)
    ]
