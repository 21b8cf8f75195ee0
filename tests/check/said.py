"""What every warning must say, and bodies that several of these tests use."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from blockout.check.warnings import TradeWarning
from blockout.errors import Place
from blockout.kernel.solids import Solid
from blockout.mesh import Mesh


def assert_said(warning: TradeWarning, code: str, *words: str) -> None:
    """The code is the one due, and the message has the words, in this order, as one paragraph."""
    assert warning.code == code
    at = -1
    for word in words:
        found = warning.message.find(word, at + 1)
        assert found > at, f"{word!r} is not, or not in its turn, in {warning.message!r}"
        at = found
    assert warning.message[0].isupper()
    assert warning.message.endswith(".")
    assert "\n" not in warning.message


def codes(warnings: Sequence[TradeWarning]) -> list[str]:
    return [warning.code for warning in warnings]


def assert_near(place: Place, expected: Sequence[float], within_mm: float) -> None:
    off_mm = float(np.linalg.norm(np.subtract(place, expected)))
    assert off_mm <= within_mm, f"{place} is {off_mm:.4f} mm from {tuple(expected)}"


def prism(outline_mm: Sequence[tuple[float, float]], length_mm: float) -> Mesh:
    """An outline, anticlockwise, raised from z = 0."""
    return Solid.column(np.array(outline_mm), low_mm=0.0, high_mm=length_mm).mesh()
