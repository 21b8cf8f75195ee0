"""Check what was made: try a framework in, and hold scans against the plan."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from weakref import WeakMethod

from nicegui import events, ui

from blockout.history.log import append_comparison, warning_of
from blockout.web.pages.bench import Bench
from blockout.web.pages.build_panel import layer_row
from blockout.web.pages.cast_panel import facts
from blockout.web.pages.working import Working
from blockout.web.runs import Run
from blockout.web.uploads import kept_upload

_PLACES = 8
Took = Callable[[events.UploadEventArguments], Awaitable[None]]


class CheckPanel:
    """Files are uploaded beside the case; results stay in folders there."""

    def __init__(self, bench: Bench, *, most_bytes: int) -> None:
        self.bench = bench
        self.most_bytes = most_bytes
        self.framework: Path | None = None
        self.scan: Path | None = None
        self.try_in = Working(
            bench,
            label="Try it in",
            work="try-in",
            verb="try_framework",
            arguments=self._try_in_arguments,
        )
        self.compare = Working(
            bench,
            label="Compare",
            work="compare",
            verb="compare_files",
            arguments=self._compare_arguments,
            after=self._record,
        )

    def build(self) -> None:
        """Two cards that take a file, and what was found."""
        with ui.element("section").classes("card"):
            ui.label("Try a framework in").classes("card-title")
            self._upload("Framework (STL, PLY, OBJ, OFF, 3MF, GLB)", self._took_framework)
            self.try_in.build()
        self.tried()
        with ui.element("section").classes("card"):
            ui.label("Compare a scan of what was made").classes("card-title")
            self._upload("Scan of the waxed or printed cast", self._took_scan)
            self.compare.build()
        self.compared()

    def refresh(self) -> None:
        """What was found."""
        self.tried.refresh()
        self.compared.refresh()

    def _upload(self, label: str, took: Took) -> None:
        # the framework keeps what an upload calls after its page is gone: it must not keep the page
        held = WeakMethod(took)

        async def take(event: events.UploadEventArguments) -> None:
            still = held()
            if still is not None:
                await still(event)

        ui.upload(
            label=label, auto_upload=True, max_file_size=self.most_bytes, on_upload=take
        ).props(
            f'flat bordered accept=".stl,.ply,.obj,.off,.3mf,.glb,.gltf" aria-label="{label}"'
        ).classes("upload")

    async def _took_framework(self, event: events.UploadEventArguments) -> None:
        self.framework = await kept_upload(self.bench.sitting.file.parent, event.file)

    async def _took_scan(self, event: events.UploadEventArguments) -> None:
        self.scan = await kept_upload(self.bench.sitting.file.parent, event.file)

    def _record(self, done: Run) -> None:
        """Add the comparison to the log; where that fails it is said, and the comparison stands."""
        log, found = self.bench.log, done.result
        summary = self.bench.showing.document("build")
        if log is None or found is None or summary is None:
            return
        said = warning_of(lambda: append_comparison(log, found, case=summary.get("case")))
        if said:
            ui.notify(said, type="warning")

    def _try_in_arguments(self) -> dict[str, Any] | None:
        if self.framework is None:
            ui.notify("Choose the framework's file first.", type="warning")
            return None
        return {
            "case": self.bench.sitting.case_for_job,
            "framework": self.framework,
            "out": self.bench.showing.folder("try-in"),
        }

    def _compare_arguments(self) -> dict[str, Any] | None:
        if self.scan is None:
            ui.notify("Choose the scan's file first.", type="warning")
            return None
        if self.bench.showing.document("build") is None:
            ui.notify("Build the model first: it is the plan.", type="warning")
            return None
        return {
            "scans": [self.scan],
            "folder": self.bench.showing.folder("build"),
            "tolerances": self.bench.sitting.case.compare,
            "out": self.bench.showing.folder("compare"),
        }

    @ui.refreshable_method
    def tried(self) -> None:
        """Whether it goes to place, and what stops it."""
        found = self.bench.showing.document("try-in")
        if found is None:
            return
        with ui.element("section").classes("card wide").props('role="status"'):
            seats = bool(found["goes_to_place"])
            ui.label(
                "It goes to place along the path." if seats else "It does NOT go to place."
            ).classes("good" if seats else "bad")
            for one in found["interferences"][:_PLACES]:
                with ui.row().classes("warning"):
                    ui.label(
                        f"{one['number']}: {one['where']}, {one['depth_mm']:.2f} mm too deep, "
                        f"{one['volume_mm3']:.2f} mm3, first touches {one['first_touch_mm']:.2f} "
                        "mm above seat"
                    )
                    self._go(one["at_mm"], f"interference {one['number']}")
            more = found["interferences"][_PLACES:]
            if more:
                ui.label(f"{len(more)} more; the report lists them all.")
            for one in found["terminals"]:
                depth = f"{one['depth_mm']:.2f} mm" if one["engages"] else "does not engage"
                ui.label(f"Terminal {one['name']}: {depth}, asked {one['asked_mm']:.2f} mm")
            with ui.element("table").classes("list"), ui.element("tbody"):
                layer_row(self.bench, "cast", "")
                layer_row(self.bench, "framework", "")

    @ui.refreshable_method
    def compared(self) -> None:
        """The verdict of each scan, and where wax is missing or too much."""
        found = self.bench.showing.document("compare")
        if found is None:
            return
        for number, scan in enumerate(found["scans"], start=1):
            with ui.element("section").classes("card wide").props('role="status"'):
                ui.label(f"{'Passes' if scan['passed'] else 'FAILS'}: {scan['name']}").classes(
                    "good" if scan["passed"] else "bad"
                )
                volume, fit = scan["volume"], scan["fit"]
                facts(
                    {
                        "Wax found": f"{volume['actual_mm3']:.1f} mm3",
                        "Planned where the scan shows it": f"{volume['shown_mm3']:.1f} mm3",
                        "Missing": f"{volume['missing_mm3']:.2f} mm3",
                        "Too much": f"{volume['excess_mm3']:.2f} mm3",
                        "Fit on bare cast": f"{1000 * fit['rms_mm']:.1f} um RMS",
                    }
                )
                for place in scan["places"][:_PLACES]:
                    with ui.row().classes("warning"):
                        ui.label(
                            f"{place['kind']} {place['volume_mm3']:.2f} mm3 at {place['region']} "
                            f"({place['part']})"
                        )
                        self._go(place["at_mm"], f"{place['kind']} wax at {place['region']}")
                with ui.element("table").classes("list"), ui.element("tbody"):
                    layer_row(self.bench, "cast", "")
                    layer_row(self.bench, f"scan-{number}", "off the plan, 0.5 mm either way")

    def _go(self, place: Any, what: str) -> None:
        ui.button("Go there", on_click=lambda: self.bench.go_near(place)).props(
            f'flat dense aria-label="Go to {what}"'
        )
