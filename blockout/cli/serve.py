"""``blockout serve``: the survey table in a browser on this machine."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer

from blockout.cli.groups import Speaking
from blockout.cli.history import LogFile, NoLog, log_asked
from blockout.cli.options import Debug
from blockout.cli.terminal import put, terminal
from blockout.errors import InputError

_LOOPBACK = ("127.0.0.1", "::1", "localhost")


def serve(
    file: Annotated[
        Path | None,
        typer.Argument(
            metavar="[CASE]",
            help="A case file, a scan or a prepared cast to open at once. A scan is never changed; "
            "a case file only when you save.",
            show_default=False,
        ),
    ] = None,
    port: Annotated[
        int, typer.Option("--port", min=0, max=65535, help="0 takes any that is free.")
    ] = 0,
    no_open: Annotated[bool, typer.Option("--no-open", help="Do not start the browser.")] = False,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--folder",
            metavar="FOLDER",
            help="Where cases are listed and uploads are kept; that of the file, or the one you "
            "are in, when left out.",
            show_default=False,
        ),
    ] = None,
    host: Annotated[
        str,
        typer.Option(
            "--host",
            metavar="ADDRESS",
            help="Address to listen on. Any other than this machine's own lets others in the "
            "network reach the page, if they know its key; nothing is encrypted.",
        ),
    ] = "127.0.0.1",
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name",
            metavar="NAME",
            help="A name under which browsers may call this machine, with --host. Repeat it for "
            "several.",
            show_default=False,
        ),
    ] = None,
    largest_mb: Annotated[
        int, typer.Option("--largest-mb", min=1, max=10_000, help="Largest file that is taken, MB.")
    ] = 400,
    log: LogFile = None,
    no_log: NoLog = False,
    debug: Debug = False,
) -> None:
    """Open the survey table in a browser: look, tilt, prescribe, build, check."""
    with terminal(Speaking(debug=debug)):
        if file is not None and not file.is_file():
            raise InputError("there is no such file", where=str(file), fix="Name a case or scan.")
        place = folder or (file.parent if file is not None else Path())
        if not place.is_dir():
            raise InputError("there is no such folder", where=str(place), fix="Name another.")

        from blockout.web.guard import Doorway
        from blockout.web.server import Desk, bound_socket
        from blockout.web.server import serve as serve_page

        record = log_asked(log, no_log)
        listening = bound_socket(host, port)
        door = Doorway(
            host=host,
            port=int(listening.getsockname()[1]),
            names=tuple(name or ()),
            most_bytes=largest_mb * 1_000_000,
        )
        if host not in _LOOPBACK:
            put(sys.stderr, f"Others in the network can reach {host}; nothing is encrypted.")

        def ready(address: str) -> None:
            put(sys.stdout, f"The survey table is at {address}")
            put(sys.stdout, "Keep this running while you work; Ctrl-C ends it.")
            sys.stdout.flush()
            if not no_open:
                import webbrowser

                webbrowser.open(address)

        first = None if file is None else file.absolute()
        serve_page(listening, Desk(place.absolute(), door, first, record), ready=ready)
