"""How a long step tells what it is doing, without knowing who listens."""

from __future__ import annotations

from collections.abc import Callable

Progress = Callable[[str], None]
"""Called with a short phrase as each stage of a step begins, such as "filling undercuts"."""


def silent(stage: str) -> None:
    """Nobody listens."""
