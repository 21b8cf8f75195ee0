"""Groups of options: what a command asks for in one word, the command line shows one by one."""

from __future__ import annotations

import inspect
from typing import Annotated

import pytest
import typer
from typer.testing import CliRunner

from blockout.cli.groups import CastOptions, PathOptions, Speaking, spread
from blockout.cli.main import app

WITH_A_PATH = ("survey", "build", "sureness", "tripod", "try-in")
WITH_A_CAST = (*WITH_A_PATH, "prepare", "choose-path", "reposition")


def test_a_group_is_handed_over_whole() -> None:
    got = []

    def command(
        name: Annotated[str, typer.Argument()],
        loud: Annotated[bool, typer.Option("--loud")] = False,
        *,
        cast: CastOptions,
        speaking: Speaking,
    ) -> None:
        """Say it."""
        got.append((name, loud, cast, speaking))

    alone = typer.Typer(rich_markup_mode=None)
    alone.command()(spread(command))
    said = CliRunner().invoke(alone, ["a", "--arch", "upper", "--base-height", "3 mm", "--json"])
    assert said.exit_code == 0, said.output
    cast, speaking = CastOptions(arch="upper", base_height="3 mm"), Speaking(as_json=True)
    assert got == [("a", False, cast, speaking)]
    assert list(inspect.signature(spread(command)).parameters)[:3] == ["name", "loud", "unit"]


@pytest.mark.parametrize("name", WITH_A_CAST)
def test_every_command_of_a_cast_takes_what_makes_it(name: str) -> None:
    told = CliRunner().invoke(app, [name, "--help"]).output
    wanted = ["--unit", "--up", "--front", "--arch", "--base-height", "--json", "--debug"]
    if name in WITH_A_PATH:
        wanted += ["--tilt", "--direction", "--warn-tilt", "--max-tilt"]
    assert [option for option in wanted if option not in told] == []


def test_groups_do_not_share_an_option() -> None:
    kinds = (PathOptions, CastOptions, Speaking)
    names = [name for kind in kinds for name in inspect.signature(kind).parameters]
    assert len(names) == len(set(names))
