"""The page's server: one process on this machine, spoken to by a browser on this machine."""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import uvicorn
from fastapi import FastAPI
from nicegui import ui
from starlette.responses import PlainTextResponse

from blockout.errors import BlockoutError, InputError
from blockout.web.guard import Doorway, Guard
from blockout.web.pages.start import StartPage
from blockout.web.pages.table import table_page
from blockout.web.routes import sitting_routes
from blockout.web.showing import Showing
from blockout.web.sittings import Sittings

_RECONNECT_S: Final = 60.0
"""A browser under load may be silent for longer than the framework's 3 seconds; it must not lose
what is half drawn."""
_BACKLOG: Final = 128


@dataclass
class Desk:
    """What the server holds: the folder it works in, and who sits at the table."""

    folder: Path
    doorway: Doorway
    first: Path | None = None
    log: Path | None = None
    sittings: Sittings = field(default_factory=Sittings)
    _showing: dict[str, Showing] = field(default_factory=dict)

    def find(self, key: str) -> Showing | None:
        """What is shown of a sitting; None where it has ended."""
        try:
            sitting = self.sittings.get(key)
        except InputError:
            self._showing.pop(key, None)
            return None
        for gone in [one for one in self._showing if one not in self.sittings]:
            del self._showing[gone]
        return self._showing.setdefault(key, Showing(sitting))


def page_app(desk: Desk) -> Guard:
    """The whole page behind its guard."""
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    app.include_router(sitting_routes(desk.find))
    most_bytes = desk.doorway.most_bytes

    @app.exception_handler(BlockoutError)
    async def in_words(_: object, error: Exception) -> PlainTextResponse:
        return PlainTextResponse(str(error), status_code=422)

    @ui.page("/", reconnect_timeout=_RECONNECT_S)
    async def start() -> None:
        page = StartPage(desk.sittings, desk.folder, most_bytes=most_bytes, find=desk.find)
        page.build()
        if desk.first is not None:
            await ui.context.client.connected()  # what only asks and never comes takes no turn
            first, desk.first = desk.first, None
            if first is not None:
                await page.open(first)

    @ui.page("/table/{key}", reconnect_timeout=_RECONNECT_S)
    def table(key: str) -> None:
        showing = desk.find(key)
        if showing is None:
            ui.navigate.to("/")
            return
        table_page(showing.sitting, showing, most_bytes=most_bytes, log=desk.log)

    ui.run_with(
        app,
        title="blockout",
        dark=None,
        reconnect_timeout=_RECONNECT_S,
        tailwind=False,
        show_welcome_message=False,
    )
    return Guard(app, desk.doorway)


def bound_socket(host: str, port: int) -> socket.socket:
    """A socket that listens; port 0 takes any that is free.

    Raises
    ------
    InputError
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except (OSError, OverflowError) as error:
        listening.close()
        raise InputError(
            "the server cannot listen there",
            measured=str(error),
            where=f"{host}, port {port}",
            fix="Name another --port, or leave it out for one that is free.",
        ) from error
    listening.listen(_BACKLOG)
    return listening


def serve(
    listening: socket.socket, desk: Desk, *, ready: Callable[[str], None] = lambda address: None
) -> None:
    """Serve the page until the process is told to stop; unsaved changes stay kept beside cases."""

    class Ready(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            if self.started:
                ready(desk.doorway.address)

    config = uvicorn.Config(
        page_app(desk),
        log_level="warning",
        lifespan="on",
        ws_max_size=8 * 1024 * 1024,
        timeout_graceful_shutdown=3,
    )
    try:
        Ready(config).run(sockets=[listening])
    finally:
        desk.sittings.close()
