"""The first page: cases and scans of the folder, and a scan from elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from nicegui import events, run, ui

from blockout.errors import BlockoutError
from blockout.report.cautions import CAUTIONS
from blockout.web.pages.bench import trouble
from blockout.web.pages.style import dress, theme_button
from blockout.web.showing import Showing
from blockout.web.sitting import Sitting
from blockout.web.sittings import Sittings
from blockout.web.uploads import SUFFIXES, kept_upload

_SHOWN = 200


class StartPage:
    """Opens a case, or begins one from a scan."""

    def __init__(
        self,
        sittings: Sittings,
        folder: Path,
        *,
        most_bytes: int,
        find: Callable[[str], Showing | None],
    ) -> None:
        self.sittings = sittings
        self.find = find
        self.folder = folder
        self.most_bytes = most_bytes
        self.arch: str | None = None
        self.unit: str | None = None

    def build(self) -> None:
        """The list, the upload, the cautions."""
        dress("blockout")
        with ui.element("header").classes("bar"):
            ui.label("blockout").classes("mark")
            ui.element("div").classes("bar-state")
            theme_button()
        with ui.element("main").classes("start"):
            ui.label("Which cast goes on the table?").classes("start-title")
            self.wait = ui.element("div").classes("wait").props('role="status"')
            with ui.element("section").classes("card"):
                ui.label("A new scan").classes("card-title")
                ui.select(
                    {None: "not said", "lower": "lower arch", "upper": "upper arch"},
                    value=None,
                    label="Which arch is it?",
                    on_change=lambda e: setattr(self, "arch", e.value),
                ).props("dense").classes("field")
                ui.select(
                    {None: "as the file or its size says", "mm": "mm", "cm": "cm", "m": "m",
                     "in": "inch"},
                    value=None,
                    label="Unit of its numbers",
                    on_change=lambda e: setattr(self, "unit", e.value),
                ).props("dense").classes("field")  # fmt: skip
                ui.upload(
                    label="Scan (STL, PLY, OBJ, OFF, 3MF, GLB, glTF)",
                    auto_upload=True,
                    max_file_size=self.most_bytes,
                    on_upload=self._took,
                    on_rejected=self._too_large,
                ).props(f'flat bordered accept="{",".join(SUFFIXES)}" aria-label="Scan"').classes(
                    "upload"
                )
            cases, scans = _files(self.folder)
            self._list("Cases here", cases)
            self._list("Scans here", scans)
            with ui.element("section").classes("card"):
                ui.label("Cautions").classes("card-title")
                with ui.element("ul"):
                    for caution in CAUTIONS:
                        with ui.element("li"):
                            ui.label(caution)

    def _list(self, title: str, files: Sequence[Path]) -> None:
        if not files:
            return
        with ui.element("section").classes("card"):
            ui.label(title).classes("card-title")
            with ui.element("ul").classes("files"):
                for file in files[:_SHOWN]:
                    with ui.element("li"):
                        ui.button(
                            str(file.relative_to(self.folder)),
                            on_click=lambda file=file: self.open(file),
                        ).props("flat align=left")

    def _too_large(self) -> None:
        ui.notify(
            f"The file is too large or no mesh: at most {self.most_bytes / 1e6:,.0f} MB. Start the "
            "server with a larger --largest-mb.",
            type="negative",
            timeout=0,
            close_button="Close",
        )

    async def _took(self, event: events.UploadEventArguments) -> None:
        try:
            file = await kept_upload(self.folder, event.file)
        except BlockoutError as error:
            trouble(error)
            return
        await self.open(file)

    async def open(self, file: Path) -> None:
        """Put a case or scan on the table; what cannot be used is said."""
        asked: dict[str, Any] = {}
        if file.suffix != ".toml":
            asked = {"arch": self.arch, "unit": self.unit}
        asked = {key: value for key, value in asked.items() if value is not None}
        self.wait.clear()
        with self.wait:
            ui.spinner(size="lg")
            ui.label(f"Preparing {file.name}: mending, levelling, pouring the base.")
        try:
            sitting = await run.io_bound(lambda: self._opened(file, asked))
        except BlockoutError as error:
            self.wait.clear()
            trouble(error)
            return
        if sitting is not None:
            ui.navigate.to(f"/table/{sitting.id}")

    def _opened(self, file: Path, asked: dict[str, Any]) -> Sitting:
        """The sitting, read along its path already: the page is made of that."""
        sitting = self.sittings.open(file, **asked)
        showing = self.find(sitting.id)
        if showing is not None:
            showing.look()
        return sitting


def _files(folder: Path) -> tuple[list[Path], list[Path]]:
    """Case files and scans of a folder and the folders in it, but not what builds wrote."""
    cases, scans = [], []
    for path in sorted([*folder.glob("*"), *folder.glob("*/*")]):
        if not path.is_file() or path.name.startswith("."):
            continue
        if (path.parent / "summary.json").exists() or (path.parent / "survey.json").exists():
            continue
        if path.suffix == ".toml":
            cases.append(path)
        elif path.suffix.lower() in SUFFIXES and path.parent == folder:
            scans.append(path)
    return cases, scans
