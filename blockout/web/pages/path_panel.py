"""The path of insertion: tilting by hand, what it leaves undercut, and the search."""

from __future__ import annotations

from typing import Any

from nicegui import ui

from blockout.errors import BlockoutError
from blockout.web.pages.bench import Bench
from blockout.web.pages.cast_panel import facts
from blockout.web.pages.forms import fields
from blockout.web.pages.working import Working

_FACTORS = {
    "total": "total",
    "retention": "retention",
    "interferences": "interferences",
    "guiding planes": "guiding planes",
    "appearance": "looks",
}
_TILTS_THE_VIEW = (
    '(value) => {{ const deg = parseFloat(String(value).replace(",", ".")); '
    "if (Number.isFinite(deg)) "
    'window.dispatchEvent(new CustomEvent("blockout-tilt", {{ detail: {{ {name}: deg }} }})); }}'
)


class PathPanel:
    """Two sliders, typed degrees, the handle in the view, and a search that ranks tilts."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.chart = "total"
        self.compared: list[int] = []
        self.search = Working(
            bench,
            label="Search for the best paths",
            work="paths",
            verb="choose_path_of",
            arguments=lambda: {
                "case": bench.sitting.case_for_job,
                "out": bench.showing.folder("paths"),
            },
        )

    def build(self) -> None:
        """The sliders stay as they are while figures below change."""
        with ui.element("section").classes("card"):
            ui.label("Tilt of the cast").classes("card-title")
            self._tilt("anterior_tilt_deg", "Front down (back down is less than 0), degrees")
            self._tilt("lateral_tilt_deg", "Patient's right side down, degrees")
            if not self.bench.sitting.cast.arch_stated:
                ui.label(
                    "Nobody said which arch this is: right is where a lower one has it. Step 1 "
                    "asks for it."
                ).classes("warn")
            with ui.row():
                ui.button("Lay level", on_click=lambda: self.bench.go_to(0.0, 0.0))
            ui.label(
                "The handle over the cast tilts it too. Shading follows at once, figures when it "
                "lies still."
            ).classes("hint")
        self.figures()
        with ui.element("section").classes("card"):
            ui.label("Search").classes("card-title")
            ui.label(
                "Some hundred tilts within the limit are scored by four factors. The choice stays "
                "yours."
            ).classes("hint")
            fields(
                self.bench,
                "choosing",
                self.bench.sitting.case.choosing,
                [
                    "within_deg",
                    "retention_weight",
                    "interferences_weight",
                    "guiding_planes_weight",
                    "appearance_weight",
                ],
            )
            self.search.build()
        self.found()

    def refresh(self) -> None:
        """Figures, and what was found."""
        self.figures.refresh()
        self.found.refresh()

    def _tilt(self, name: str, label: str) -> None:
        bench = self.bench
        most = bench.sitting.case.path.max_tilt_deg
        now = float(getattr(bench.showing.look().path, name))
        tell = _TILTS_THE_VIEW.format(name=name)
        with ui.element("div").classes("tilt"):
            ui.label(label).classes("tilt-label")
            slider = ui.slider(min=-most, max=most, step=0.1, value=round(now, 2))
            slider.props(f'aria-label="{label}"').classes(f"slider-{name}")
            slider.on("update:model-value", js_handler=tell)
            box = ui.input(value=f"{now:.2f}")
            box.props(f'dense inputmode="decimal" aria-label="{label}, typed"')
            box.classes(f"degrees degrees-{name}")
            box.on("update:model-value", js_handler=tell)
        if bench.view is not None:

            def follow(told: dict[str, Any]) -> None:
                slider.set_value(round(told[name], 2))
                if _degrees(box.value) != round(told[name], 2):  # else somebody types in it
                    box.set_value(f"{told[name]:.2f}")

            bench.view.on_tilted(follow)

    @ui.refreshable_method
    def figures(self) -> None:
        """What is undercut along the path."""
        try:
            look = self.bench.showing.look()
        except BlockoutError as error:
            ui.label(str(error)).classes("warn")
            return
        with ui.element("section").classes("card").props('aria-live="polite"'):
            ui.label("Undercut along this path").classes("card-title")
            length = sum(line.length_mm for line in look.survey_lines)
            facts(
                {
                    "Deepest": f"{look.max_depth_mm:.2f} mm",
                    "Area": f"{look.area_mm2:.1f} mm2",
                    "Survey line": f"{length:.0f} mm in {len(look.survey_lines)} lines",
                    "Anterior tilt": f"{look.path.anterior_tilt_deg:+.2f} degrees",
                    "Lateral tilt": f"{look.path.lateral_tilt_deg:+.2f} degrees",
                }
            )
            if look.max_depth_at_mm is not None:
                place = look.max_depth_at_mm
                ui.button("Go to the deepest", on_click=lambda: self.bench.go_near(place)).props(
                    "flat"
                )
            for warning in look.warnings:
                ui.label(warning.message).classes("warn")

    @ui.refreshable_method
    def found(self) -> None:
        """The ranked paths, a chart of all that were tried, and two side by side."""
        facts_found = self.bench.showing.document("paths")
        if facts_found is None:
            return
        paths = facts_found["paths"]
        marks = [name for name in _FACTORS if name == "total" or name in paths[0]["marks"]]
        with ui.element("section").classes("card wide"):
            ui.label("Paths worth choosing from").classes("card-title")
            with ui.element("ol").classes("paths"):
                for path in paths:
                    self._listed(path, marks)
            ui.label(f"Best: {facts_found['best_reason']}.")
            ui.label(f"{facts_found['level_reason']}.")
            for note in facts_found["notes"]:
                ui.label(f"{note}.").classes("hint")
            ui.toggle(
                {name: _FACTORS[name] for name in marks},
                value=self.chart if self.chart in marks else "total",
                on_change=self._another_chart,
            ).props("dense")
            self._draw_chart(facts_found)
        if len(self.compared) == 2:
            self._side_by_side(facts_found, marks)

    def _listed(self, path: dict[str, Any], marks: list[str]) -> None:
        number = path["number"]
        shown = [
            f"{_FACTORS[name]} {path['total'] if name == 'total' else path['marks'][name]:.0f}"
            for name in marks
        ]
        with ui.element("li"):
            ui.label(path["words"]).classes("path-words")
            ui.label(", ".join(shown)).classes("path-marks")
            ui.label("listed for " + ", ".join(path["why"])).classes("hint")
            with ui.row():
                ui.button(
                    "Go there",
                    on_click=lambda: self.bench.go_to(
                        path["anterior_tilt_deg"], path["lateral_tilt_deg"]
                    ),
                ).props(f'flat dense aria-label="Tilt the cast as in path {number}"')
                ui.checkbox(
                    "side by side",
                    value=number in self.compared,
                    on_change=lambda e: self._compare(number, e.value),
                ).props(f'dense aria-label="Compare path {number}"')

    def _another_chart(self, event: Any) -> None:
        self.chart = event.value
        self.found.refresh()

    def _compare(self, number: int, on: bool) -> None:
        self.compared = [one for one in self.compared if one != number]
        if on:
            self.compared = [*self.compared, number][-2:]
        self.found.refresh()

    def _draw_chart(self, found: dict[str, Any]) -> None:
        """Every tilt that was tried, at its place; a click goes there."""
        name = self.chart

        def mark(one: dict[str, Any]) -> float:
            return float(one["total"] if name == "total" else one["marks"][name])

        dots = [
            [one["lateral_tilt_deg"], one["anterior_tilt_deg"], round(mark(one), 1)]
            for one in found["tried"]
        ]
        listed = [
            [one["lateral_tilt_deg"], one["anterior_tilt_deg"], round(mark(one), 1), one["number"]]
            for one in found["paths"]
        ]
        values = [dot[2] for dot in dots]
        axis = {"type": "value", "nameLocation": "middle", "nameGap": 24}
        chart = ui.echart(
            {
                "animation": False,
                "grid": {"left": 48, "right": 16, "top": 8, "bottom": 84},
                "tooltip": {"formatter": "front {c}"},
                "xAxis": {**axis, "name": "patient's right side down, degrees"},
                "yAxis": {**axis, "name": "front down, degrees", "nameGap": 30},
                "visualMap": {
                    "min": min(values),
                    "max": max(values),
                    "dimension": 2,
                    "orient": "horizontal",
                    "left": "center",
                    "bottom": 0,
                    "text": ["better", "worse"],
                    "inRange": {"color": ["#fde725", "#5ec962", "#21918c", "#3b528b", "#440154"]},
                },
                "series": [
                    {"type": "scatter", "symbolSize": 9, "data": dots, "name": "tried"},
                    {
                        "type": "scatter",
                        "symbol": "circle",
                        "symbolSize": 20,
                        "data": listed,
                        "name": "listed",
                        "itemStyle": {"borderColor": "#000", "borderWidth": 1.5},
                        "label": {"show": True, "formatter": "{@[3]}", "color": "#fff"},
                    },
                ],
            },
            on_point_click=self._chart_clicked,
        )
        chart.classes("tilt-chart").props(
            'role="img" aria-label="Marks of all tilts that were tried; the table above lists the '
            'best"'
        )

    def _chart_clicked(self, event: Any) -> None:
        lateral, anterior = event.value[0], event.value[1]
        self.bench.go_to(float(anterior), float(lateral))

    def _side_by_side(self, found: dict[str, Any], marks: list[str]) -> None:
        one, other = (
            next(path for path in found["paths"] if path["number"] == number)
            for number in self.compared
        )
        rows: list[tuple[str, ...]] = [("Tilt", one["words"], other["words"])]
        for name in marks:
            pair = [p["total"] if name == "total" else p["marks"][name] for p in (one, other)]
            rows.append((f"Mark: {_FACTORS[name]}", *(f"{value:.1f}" for value in pair)))
        for kind in ("teeth", "tissue"):
            pair = [path["interferences"]["volume_mm3"][kind] for path in (one, other)]
            rows.append((f"Undercut on {kind}, mm3", *(f"{value:.1f}" for value in pair)))
        for first, second in zip(*(_sites(path) for path in (one, other)), strict=True):
            rows.append(
                (
                    f"{first['name']}: undercut offered of asked, mm",
                    *(f"{s['offered_mm']:.2f} of {s['asked_mm']:.2f}" for s in (first, second)),
                )
            )
        for first, second in zip(
            one["guiding_planes"] or (), other["guiding_planes"] or (), strict=True
        ):
            rows.append(
                (
                    f"Guiding plane {first['tooth']} {first['aspect']}, degrees off the path",
                    *(f"{guide['angle_deg']:.1f}" for guide in (first, second)),
                )
            )
        with ui.element("section").classes("card wide"):
            ui.label(f"Paths {one['number']} and {other['number']} side by side").classes(
                "card-title"
            )
            with ui.element("table").classes("list"), ui.element("tbody"):
                for row in rows:
                    with ui.element("tr"):
                        with ui.element("th").props('scope="row"'):
                            ui.label(row[0])
                        for value in row[1:]:
                            with ui.element("td").classes("number"):
                                ui.label(value)


def _degrees(typed: str) -> float | None:
    try:
        return round(float(typed.replace(",", ".")), 2)
    except ValueError:
        return None


def _sites(path: dict[str, Any]) -> list[dict[str, Any]]:
    return list(path["retention"]["sites"]) if path["retention"] else []
