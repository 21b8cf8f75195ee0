"""How the page looks: colours of plaster, ink and wax; light and dark; one style sheet."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final

from nicegui import ui

# words as they are written, not in capitals
ui.button.default_props("no-caps")
ui.toggle.default_props("no-caps")

_SHEET: Final = Path(__file__).with_name("page.css")


@cache
def _sheet() -> str:
    return _SHEET.read_text(encoding="utf-8")


def dress(title: str) -> None:
    """Title, language and style sheet of a page."""
    ui.page_title(title)
    ui.add_css(_sheet())
    ui.colors(primary="#245a78", secondary="#7a4b1f", positive="#2c6b3f", negative="#a02c1d")


def theme_button() -> None:
    """Light or dark; as the machine has it at first."""
    dark = ui.dark_mode(value=None)

    def turn() -> None:
        dark.value = {None: True, True: False, False: None}[dark.value]
        button.set_text(_word(dark.value))

    button = ui.button(_word(None), on_click=turn).props("flat dense no-caps").classes("theme")


def _word(value: bool | None) -> str:
    return {None: "Light or dark: as the machine", True: "Dark", False: "Light"}[value]
