"""Teeth: each named by a click on its crown; the missing ones said; undercut by side."""

from __future__ import annotations

from typing import Any

from nicegui import ui

from blockout.case.editing import (
    drawn,
    with_missing,
    with_tooth,
    with_tooth_margin,
    with_values,
    without_tooth,
)
from blockout.errors import Place
from blockout.job import looks
from blockout.teeth.aspects import aspect_word
from blockout.web.pages.bench import Bench

_LOWER = (*range(48, 40, -1), *range(31, 39))
_UPPER = (*range(18, 10, -1), *range(21, 29))


class TeethPanel:
    """Numbers are those of ISO 3950."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def refresh(self) -> None:
        """Show the case as it is now."""
        self.build.refresh()

    @ui.refreshable_method
    def build(self) -> None:
        """The row of numbers, then what was found of each tooth."""
        bench = self.bench
        teeth = bench.sitting.case.teeth
        row = _UPPER if bench.sitting.cast.arch == "upper" else _LOWER
        named = {tooth.number for tooth in teeth.tooth}
        with ui.element("section").classes("card"):
            ui.label("Name the teeth").classes("card-title")
            ui.label(
                "Press a number, then click on the middle of that tooth's crown. Missing teeth are "
                "chosen in the list below."
            ).classes("hint")
            with (
                ui.element("div")
                .classes("tooth-row")
                .props('role="group" aria-label="Teeth, ISO 3950 numbers"')
            ):
                for number in row:
                    state = (
                        "missing" if number in teeth.missing else "named" if number in named else ""
                    )
                    button = ui.button(
                        str(number), on_click=lambda number=number: self._begin(number)
                    )
                    button.props(f'flat dense aria-label="tooth {number} {state}"')
                    button.classes(f"tooth {state}")
            ui.select(
                list(row),
                value=[number for number in teeth.missing if number in row],
                label="Missing teeth",
                multiple=True,
                on_change=lambda e: bench.change(
                    "say which teeth are missing", lambda case: with_missing(case, e.value)
                ),
            ).props("dense use-chips").classes("field")
            ui.switch(
                "Count the other crowns along the arch from the one tooth that is named",
                value=teeth.count_along_arch,
                on_change=lambda e: bench.change(
                    "count along the arch",
                    lambda case: with_values(case, "teeth", {"count_along_arch": e.value}),
                ),
            ).props("dense")
        self._found()

    def _begin(self, number: int) -> None:
        def take(points: list[Place]) -> bool:
            return self.bench.change(
                f"name tooth {number}", lambda case: with_tooth(case, number, points[0])
            )

        self.bench.draw(f"Click on the crown of tooth {number}", take)

    def _found(self) -> None:
        bench = self.bench
        case = bench.sitting.case
        if not case.teeth.tooth:
            return
        teeth, why = bench.showing.teeth_or_trouble()
        with ui.element("section").classes("card wide"):
            ui.label("Undercut by tooth, along the path").classes("card-title")
            if why:
                ui.label(why).classes("warn")
            named = {tooth.number for tooth in case.teeth.tooth}
            known = looks.teeth_facts(bench.showing.look(), teeth)
            with ui.element("table").classes("list"):
                with ui.element("thead"), ui.element("tr"):
                    for head in ("Tooth", "Deepest by side, mm; look at it from"):
                        with ui.element("th").props('scope="col"'):
                            ui.label(head)
                with ui.element("tbody"):
                    for facts in known:
                        self._row(facts, facts["number"] in named)
                    for number in sorted(named - {facts["number"] for facts in known}):
                        self._row({"number": number, "name": "", "aspects": []}, True)
        if bench.view is not None:
            bench.view.set_lines(
                "margins",
                [{"points": facts["margin_mm"][::4], "closed": True} for facts in known],
            )

    def _row(self, facts: dict[str, Any], is_named: bool) -> None:
        bench, number = self.bench, facts["number"]
        with ui.element("tr"):
            with ui.element("td"):
                ui.label(str(number)).tooltip(facts["name"])
            with ui.element("td"):
                ui.label(_sides(facts))
                for side, way in zip(_outer_and_inner(number), (1.0, -1.0), strict=True):
                    ui.button(side, on_click=lambda way=way: self._look_from(number, way)).props(
                        f'flat dense aria-label="Look at tooth {number} from {side}"'
                    )
                ui.button("Margin", on_click=lambda: self._margin(number)).props(
                    f'flat dense aria-label="Draw the margin of tooth {number}"'
                )
                if is_named:
                    ui.button(
                        "Remove",
                        on_click=lambda: bench.change(
                            f"remove tooth {number}", lambda case: without_tooth(case, number)
                        ),
                    ).props(f'flat dense aria-label="Remove tooth {number}"')

    def _look_from(self, number: int, way: float) -> None:
        """Look at a tooth square from its buccal (labial) side, or from the lingual one."""
        teeth, _ = self.bench.showing.teeth_or_trouble()
        if teeth is not None:
            crown = teeth.crown(number)
            self.bench.go_near(crown.centre_mm, way * crown.axes[1], width_mm=20.0)

    def _margin(self, number: int) -> None:
        bench = self.bench
        there = [
            one for one in drawn(bench.sitting.case) if one.title == f"margin of tooth {number}"
        ]
        if there:
            bench.edit(there[0])
            return
        bench.draw(
            f"Draw the gingival margin of tooth {number}, all the way round",
            lambda points: bench.change(
                f"draw the margin of tooth {number}",
                lambda case: with_tooth_margin(case, number, points),
            ),
            least=3,
            closed=True,
        )


def _outer_and_inner(number: int) -> tuple[str, str]:
    """What the two sides that face out of the arch and into it are called on this tooth."""
    outer, inner = aspect_word("buccal", number), aspect_word("lingual", number)
    return outer.capitalize(), inner.capitalize()


def _sides(facts: dict[str, Any]) -> str:
    return ", ".join(
        f"{aspect['word']} {aspect['max_depth_mm']:.2f}"
        for aspect in facts["aspects"]
        if aspect["max_depth_mm"] > 0.0
    )
