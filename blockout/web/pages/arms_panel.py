"""Clasp arms: tooth, side, undercut; laid by the program, or along points that can be dragged."""

from __future__ import annotations

from typing import Any, get_args

import numpy as np
from nicegui import ui

from blockout.arms.arm import Arm
from blockout.case.arm_settings import AlloyName, Aspect, End, Form, Role
from blockout.case.editing import drawn, with_arm, with_arm_points, with_item, without_arm
from blockout.errors import Place
from blockout.mesh import Floats
from blockout.web.pages.bench import Bench
from blockout.web.pages.forms import fields

_FIELDS = [
    "tooth", "aspect", "origin", "role", "form", "alloy", "section", "undercut_mm", "width_mm",
    "tip_share", "above_margin_mm", "origin_rise_mm", "name",
]  # fmt: skip


_POINTS_TO_MOVE = 6


class ArmsPanel:
    """The list of arms, and a form for one more."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self._said: list[tuple[ui.expansion, ui.label, str]] = []
        bench.when_laid = self._say_laid
        self.asked: dict[str, Any] = {
            "tooth": None,
            "aspect": "buccal",
            "origin": "mesial",
            "role": "retentive",
            "form": "circumferential",
            "alloy": "cobalt-chromium",
            "undercut": "",
        }

    def refresh(self) -> None:
        """Show the case as it is now."""
        self.build.refresh()

    @ui.refreshable_method
    def build(self) -> None:
        """What is asked, then what is there."""
        self._form()
        bench = self.bench
        arms = bench.sitting.case.arm
        summary = bench.showing.document("build")
        built = {arm["name"]: arm for arm in (summary or {}).get("arms", ())}
        self._said.clear()
        for index, arm in enumerate(arms):
            with ui.expansion(arm.title, caption=" ").classes("card item") as box:
                why = ui.label().classes("warn")
                self._said.append((box, why, _built_words(built.get(arm.title))))
                fields(bench, f"arm.{index}", arm, _FIELDS)
                with ui.row():
                    self._points(index)
                    ui.button("Remove", on_click=lambda index=index: self._remove(index)).props(
                        f'flat aria-label="Remove the arm {arm.title}"'
                    )
        self._say_laid()
        if arms:
            with ui.element("section").classes("card"):
                ui.label("Ledges under the arms").classes("card-title")
                fields(
                    bench,
                    "ledge",
                    bench.sitting.case.ledge,
                    ["shelf_mm", "fall_deg", "run_out_mm"],
                )

    def _say_laid(self) -> None:
        """How each arm lies now; the forms stay as they are, since somebody types in them."""
        arms = self.bench.sitting.case.arm
        for arm, (box, why, built) in zip(arms, self._said, strict=False):
            laid = self.bench.arm_laid(arm)
            box.props["caption"] = f"{_laid_words(laid)}; {built}"
            why.set_text(laid if isinstance(laid, str) else "")
            why.set_visibility(isinstance(laid, str))

    def _form(self) -> None:
        asked, bench = self.asked, self.bench
        numbers = sorted(tooth.number for tooth in bench.sitting.case.teeth.tooth)
        teeth, _ = bench.showing.teeth_or_trouble()
        if teeth is not None:
            numbers = sorted({*numbers, *(crown.number for crown in teeth.crowns)})
        if asked["tooth"] not in numbers:
            asked["tooth"] = numbers[0] if numbers else None
        with ui.element("section").classes("card"):
            ui.label("One more arm").classes("card-title")
            if not numbers:
                ui.label("Name the teeth first.").classes("warn")
                return
            with ui.element("div").classes("form"):
                self._choice("Tooth", "tooth", numbers)
                self._choice("Side of the tooth", "aspect", list(get_args(Aspect)))
                self._choice("Starts from", "origin", list(get_args(End)))
                self._choice("Role", "role", list(get_args(Role)))
                self._choice("Form", "form", list(get_args(Form)))
                self._choice("Alloy", "alloy", list(get_args(AlloyName)))
                ui.input(
                    "Undercut, mm or in",
                    placeholder="by alloy, or 0.010 in",
                    on_change=lambda e: asked.update(undercut=e.value),
                    value=asked["undercut"],
                ).props("dense").classes("field")
            with ui.row():
                ui.button("Lay it", on_click=self._add).props("unelevated")
                ui.button("Draw it instead", on_click=self._draw).props("flat")

    def _choice(self, label: str, key: str, options: list[Any]) -> None:
        ui.select(
            options,
            value=self.asked[key],
            label=label,
            on_change=lambda e: self.asked.update({key: e.value}),
        ).props("dense").classes("field")

    def _values(self) -> dict[str, Any]:
        asked = self.asked
        values = {key: asked[key] for key in ("tooth", "aspect", "origin", "role", "alloy")}
        if asked["form"] != "circumferential":
            values["form"] = asked["form"]
        if asked["role"] == "retentive" and str(asked["undercut"]).strip():
            values["undercut_mm"] = _number(str(asked["undercut"]))
        return values

    def _add(self) -> None:
        values = self._values()
        self.bench.change(f"lay an arm on {values['tooth']}", lambda case: with_arm(case, **values))

    def _draw(self) -> None:
        values = self._values()
        self.bench.draw(
            f"Draw the middle line of the arm on {values['tooth']}, from its origin to its tip",
            lambda points: self.bench.change(
                f"draw an arm on {values['tooth']}",
                lambda case: with_item(
                    case, "arm", values | {"points": [list(point) for point in points]}
                ),
            ),
            least=2,
        )

    def _points(self, index: int) -> None:
        bench = self.bench
        there = [one for one in drawn(bench.sitting.case) if one.address == f"arm.{index}.points"]
        if there:
            ui.button("Move its points", on_click=lambda: bench.edit(there[0])).props("flat")
            ui.button(
                "Lay it again",
                on_click=lambda: bench.change(
                    "lay the arm again", lambda case: with_arm_points(case, index, None)
                ),
            ).props("flat")
            return

        def take(points: list[Place]) -> bool:
            return bench.change("draw the arm", lambda case: with_arm_points(case, index, points))

        laid = bench.arm_laid(bench.sitting.case.arm[index])
        if isinstance(laid, Arm):
            ui.button(
                "Move its points",
                on_click=lambda: bench.draw(
                    f"Points of: {laid.name}", take, least=2, points=_few_points(laid.centre)
                ),
            ).props("flat")
        ui.button(
            "Draw it by hand",
            on_click=lambda: bench.draw(
                "Draw the arm's middle line, from its origin to its tip", take, least=2
            ),
        ).props("flat")

    def _remove(self, index: int) -> None:
        self.bench.change("remove an arm", lambda case: without_arm(case, index))


def _few_points(centre_mm: Floats) -> list[Place]:
    """Points of a middle line that a hand can move, its ends among them."""
    chosen = np.linspace(0, len(centre_mm) - 1, _POINTS_TO_MOVE).round().astype(int)
    return [(float(x), float(y), float(z)) for x, y, z in centre_mm[chosen]]


def _laid_words(laid: Arm | str | None) -> str:
    """How an arm lies on its tooth now."""
    if laid is None:
        return "being laid"
    if isinstance(laid, str):
        return "cannot be laid"
    depth = f", {laid.terminal_depth_mm:.2f} mm deep at its terminal"
    return f"{laid.length_mm:.1f} mm long{depth if laid.role == 'retentive' else ''}"


def _built_words(built: dict[str, Any] | None) -> str:
    """What the last build found of an arm."""
    if built is None:
        return "not built yet"
    depth = built.get("terminal_depth_mm")
    return "in the build" if depth is None else f"in the build: {depth:.2f} mm at its terminal"


def _number(text: str) -> float | str:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text
