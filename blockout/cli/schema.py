"""``blockout schema``: the JSON Schema of a case file."""

from __future__ import annotations

import json

from blockout.cli.groups import Speaking
from blockout.cli.options import Debug
from blockout.cli.terminal import terminal


def schema(debug: Debug = False) -> None:
    """Print the JSON Schema of a case file."""
    with terminal(Speaking(debug=debug)) as here:
        from blockout.case.schema import case_schema

        here.answer({}, [json.dumps(case_schema(), indent=2)])
