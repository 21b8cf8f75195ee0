"""One file of the corpus: what kind of trouble it holds, made from a seed, and what is wanted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from blockout.mesh import Mesh

Wanted = Literal["solid", "refused", "either"]


@dataclass(frozen=True)
class Specimen:
    """A file to be taken through the commands, and how it is asked for.

    ``wanted`` says what must come of it: a verified solid, a refusal, or either. What comes must
    be one of the two whatever is wanted.
    """

    data: bytes
    suffix: str
    wanted: Wanted = "either"
    unit: str | None = "mm"
    up: str | None = "+z"
    front: str | None = "+y"
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    taper_deg: float = 0.0
    mesh: Mesh | None = None


Maker = Callable[[np.random.Generator], Specimen]
KINDS: dict[str, Maker] = {}
"""Every kind of the corpus by its name; filled by the modules that make them."""


def kind(name: str) -> Callable[[Maker], Maker]:
    """Enter a maker under a name."""

    def enter(maker: Maker) -> Maker:
        if name in KINDS:
            raise ValueError(f"two kinds are called {name}")
        KINDS[name] = maker
        return maker

    return enter


def specimen(name: str, seed: int) -> Specimen:
    """The same bytes for the same name and seed, on every machine."""
    letters = int.from_bytes(name.encode("utf-8")[:16], "little")
    return KINDS[name](np.random.default_rng([letters, seed]))
