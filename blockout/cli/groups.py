"""Options that several commands share, in groups: a command asks for the group, and the command
line shows each of its options.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, get_type_hints

from blockout.cli.options import (
    ArchName,
    AsJson,
    BaseHeight,
    Debug,
    Direction,
    Front,
    MaxTilt,
    Quiet,
    Tilt,
    Unit,
    Up,
    WarnTilt,
)


@dataclass(frozen=True)
class PathOptions:
    """The path of insertion, over that of the case."""

    tilt: Tilt = None
    direction: Direction = None
    warn_tilt: WarnTilt = None
    max_tilt: MaxTilt = None


@dataclass(frozen=True)
class CastOptions:
    """What makes a scan a cast, over what the case says."""

    unit: Unit = None
    up: Up = None
    front: Front = None
    arch: ArchName = None
    base_height: BaseHeight = None


@dataclass(frozen=True)
class Speaking:
    """What a command says, and to whom."""

    as_json: AsJson = False
    quiet: Quiet = False
    debug: Debug = False


def spread(command: Callable[..., None]) -> Callable[..., None]:
    """The command with every group among its parameters replaced by the group's own options."""
    hints = get_type_hints(command, include_extras=True)
    groups: dict[str, Any] = {}
    parameters = []
    for name, parameter in inspect.signature(command).parameters.items():
        kind = hints[name]
        if is_dataclass(kind):
            groups[name] = kind
            within = get_type_hints(kind, include_extras=True)
            parameters += [
                inspect.Parameter(
                    one.name,
                    inspect.Parameter.KEYWORD_ONLY,
                    default=one.default,
                    annotation=within[one.name],
                )
                for one in fields(kind)
            ]
        else:
            parameters.append(
                parameter.replace(annotation=kind, kind=inspect.Parameter.KEYWORD_ONLY)
            )

    def run(**values: Any) -> None:
        for name, kind in groups.items():
            values[name] = kind(**{one.name: values.pop(one.name) for one in fields(kind)})
        command(**values)

    run.__name__, run.__doc__ = command.__name__, command.__doc__
    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {one.name: one.annotation for one in parameters}
    return run
