"""A button that begins long work, its progress, and the button that ends it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from nicegui import ui

from blockout.errors import BlockoutError
from blockout.web.pages.bench import Bench, trouble
from blockout.web.runs import Run
from blockout.web.showing import Work

_LOOK_EVERY_S = 0.3


class Working:
    """One kind of work of a sitting; the page may be closed meanwhile, the work goes on."""

    def __init__(
        self,
        bench: Bench,
        *,
        label: str,
        work: Work,
        verb: str,
        arguments: Callable[[], dict[str, Any] | None],
        after: Callable[[Run], None] = lambda run: None,
    ) -> None:
        self.bench = bench
        self.label = label
        self.work = work
        self.verb = verb
        self._arguments = arguments
        self._after = after
        self._told: Run | None = None
        self._progress: ui.label | None = None

    def build(self) -> None:
        """The button, and a line that says how far it is."""
        self.line()
        ui.timer(_LOOK_EVERY_S, self._look)
        at_hand = self.bench.sitting.run
        if at_hand is not None and at_hand.verb == self.verb and at_hand.state != "running":
            self._told = at_hand  # ended before this page was opened

    @property
    def _mine(self) -> Run | None:
        at_hand = self.bench.sitting.run
        return at_hand if at_hand is not None and at_hand.verb == self.verb else None

    @ui.refreshable_method
    def line(self) -> None:
        """Either the button that begins, or progress and the button that ends."""
        mine = self._mine
        self._progress = None
        if mine is None or mine.state != "running":
            ui.button(self.label, on_click=self.begin).props("unelevated")
            if mine is not None and mine.state == "cancelled":
                ui.label("Ended before it was done; nothing was written.").classes("hint")
            return
        with ui.row().classes("working").props('role="status"'):
            ui.spinner(size="sm")
            self._progress = ui.label(mine.progress or "beginning")
            ui.button("Cancel", on_click=mine.cancel).props("flat")

    def begin(self) -> None:
        """Begin, or say why not."""
        arguments = self._arguments()
        if arguments is None:
            return
        try:
            self.bench.sitting.start(self.verb, arguments)
        except BlockoutError as error:
            trouble(error)
        self.line.refresh()

    def _look(self) -> None:
        mine = self._mine
        if mine is None or mine is self._told:
            return
        if mine.state == "running":
            if self._progress is None:
                self.line.refresh()
            else:  # the button stays: who is about to press it must not lose it
                self._progress.set_text(mine.progress or "beginning")
            return
        self._told = mine
        self.line.refresh()
        if mine.error is not None:
            trouble(mine.error)
        if mine.state == "done":
            self._after(mine)
            self.bench.show_layers()
            self.bench.refresh()
