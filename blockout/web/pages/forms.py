"""Fields of a settings table as a form: names, units, limits and help come from the settings."""

from __future__ import annotations

import types
from collections.abc import Callable, Sequence
from typing import Any, Literal, Union, get_args, get_origin

from nicegui import ui
from pydantic import BaseModel

from blockout.case.editing import with_values
from blockout.case.settings import parameter_of
from blockout.web.pages.bench import Bench

Put = Callable[[str, Any], None]


def fields(bench: Bench, address: str, settings: BaseModel, names: Sequence[str]) -> None:
    """Fields whose change is a change of the case at once."""

    def put(name: str, value: Any) -> None:
        bench.change(
            f"set {words_of(name)}",
            lambda case: with_values(case, address, {name: value}),
            redraw=False,
        )

    for name in names:
        one_field(settings, name, put)


def one_field(settings: BaseModel, name: str, put: Put) -> ui.element:
    """One field: a switch, a choice, or text that may hold a unit such as ``0.010 in``."""
    field = type(settings).model_fields[name]
    value = getattr(settings, name)
    parameter = parameter_of(field)
    label = words_of(name)
    if parameter is not None and parameter.unit not in ("", "1", "weight"):
        label += f", {parameter.unit}"
    choices = choices_of(field.annotation)
    made: ui.element
    if field.annotation is bool:
        made = ui.switch(label, value=bool(value), on_change=lambda e: put(name, e.value))
    elif choices:
        made = ui.select(
            list(choices),
            value=value,
            label=label,
            clearable=not field.is_required() and field.get_default() is None,
            on_change=lambda e: put(name, e.value),
        )
    else:
        shown = "" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
        box = ui.input(label, value=shown, placeholder="left to the program")

        def leave(box: ui.input = box, was: str = shown) -> None:
            text = str(box.value or "").strip()
            if text != was:
                put(name, _typed(text, field.annotation))

        box.on("blur", leave)
        box.on("keydown.enter", leave)
        made = box
    if field.description:
        made.tooltip(field.description)
    made.props("dense")
    return made.classes("field")


def choices_of(annotation: Any) -> tuple[Any, ...]:
    """The words of a Literal, also of one that may be left out."""
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    if get_origin(annotation) in (Union, types.UnionType):
        for part in get_args(annotation):
            found = choices_of(part)
            if found:
                return found
    return ()


def words_of(name: str) -> str:
    """A key of the case file in plain words.

    >>> words_of("above_margin_mm")
    'above margin'
    """
    for unit in ("_mm", "_deg", "_mm3", "_n"):
        name = name.removesuffix(unit)
    return name.replace("_", " ")


def _typed(text: str, annotation: Any) -> Any:
    """What was typed, as the case file would hold it; empty leaves it to the default."""
    if not text:
        return None
    if annotation is str or annotation == str | None:
        return text
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return text
