"""The command line: one app, one file per command.

Nothing heavy is imported here or at the top of a command's file, so that ``--help`` is quick.
"""

from __future__ import annotations

import sys
import warnings
from typing import Annotated

import typer

from blockout import __version__
from blockout.cli.build import build
from blockout.cli.choose_path import choose_path
from blockout.cli.compare import compare
from blockout.cli.demo import demo
from blockout.cli.export import export
from blockout.cli.groups import spread
from blockout.cli.history import history
from blockout.cli.inspect import inspect
from blockout.cli.prepare import prepare
from blockout.cli.report import report
from blockout.cli.reposition import reposition
from blockout.cli.schema import schema
from blockout.cli.serve import serve
from blockout.cli.sureness import sureness
from blockout.cli.survey import survey
from blockout.cli.terminal import INTERRUPTED
from blockout.cli.tripod import tripod
from blockout.cli.try_in import try_in

app = typer.Typer(
    name="blockout",
    help="Blockout of dental casts: a scan goes in, a blocked-out model comes out.",
    no_args_is_help=True,
    add_completion=False,
    # plain help: loading what draws frames around it takes longer than all the rest
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for _command in (
    demo, inspect, prepare, survey, choose_path, tripod, reposition, sureness, build, export,
    compare, try_in, report, history, serve, schema,
):  # fmt: skip
    app.command()(spread(_command))


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"blockout {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_version, is_eager=True, help="Print the version and exit."
        ),
    ] = False,
) -> None:
    # the group's own options; commands do the work
    del version


def run() -> None:
    """Entry point of the ``blockout`` program."""
    if not sys.warnoptions:
        # what libraries mutter among themselves is no concern of a user
        warnings.simplefilter("ignore")
    try:
        app()
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
