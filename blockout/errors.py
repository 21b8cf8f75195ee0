"""Everything that can go wrong, as one tree.

::

    BlockoutError
    |- InputError            what the user gave cannot be used           exit code 2
    |  |- ReadError          a file is not the mesh it claims to be
    |  |- UnitError          the unit of a file cannot be told
    |  |- DefectError        a mesh cannot be made a solid; carries the places
    |  |- PathError          a path of insertion outside its limits
    |  |- CaseError          a key or value of a case file; carries the line
    |  `- OutputError        a place that cannot be written
    `- CheckError            a result that failed its own check          exit code 1
       `- KernelError        a geometry library gave nothing usable

A message has four parts: what is wrong, what was measured against which limit, where, and the
option that mends it. Each part is kept as data, so that a page or a test need not parse text.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

Place = tuple[float, float, float]
"""A point in the file's own coordinates, millimetres unless the message says otherwise."""

_PLACES_SHOWN = 5


class BlockoutError(Exception):
    """Root of the tree.

    Parameters
    ----------
    what : str
        What is wrong, one sentence without a full stop.
    measured : str, optional
        What was measured against which limit, units included.
    where : str, optional
        File and line, tooth, or a description of the place.
    places_mm : sequence of (x, y, z), optional
        Points on the cast, file coordinates.
    fix : str, optional
        The option or action that mends it.
    """

    exit_code = 1

    def __init__(
        self,
        what: str,
        *,
        measured: str | None = None,
        where: str | None = None,
        places_mm: Sequence[Place] = (),
        fix: str | None = None,
    ) -> None:
        self.what = what
        self.measured = measured
        self.where = where
        self.places_mm: tuple[Place, ...] = tuple(
            (float(x), float(y), float(z)) for x, y, z in places_mm
        )
        self.fix = fix
        super().__init__(self._sentence())

    def __reduce__(self) -> tuple[object, ...]:
        # made again from its parts: from its sentence alone it would end in two full stops
        return _made_again, (type(self), self.__dict__.copy())

    def _sentence(self) -> str:
        parts = [self.what]
        if self.measured:
            parts.append(self.measured)
        if self.where:
            parts.append(f"at {self.where}")
        if self.places_mm:
            shown = ", ".join(
                f"({x:.2f}, {y:.2f}, {z:.2f})" for x, y, z in self.places_mm[:_PLACES_SHOWN]
            )
            more = len(self.places_mm) - _PLACES_SHOWN
            parts.append(f"near {shown} mm" + (f" and {more} more places" if more > 0 else ""))
        sentence = "; ".join(parts) + "."
        return f"{sentence} {self.fix}" if self.fix else sentence


def _made_again(kind: type[BlockoutError], parts: dict[str, Any]) -> BlockoutError:
    """An error as it was, on the other side of a pipe."""
    error = kind(
        parts["what"],
        measured=parts["measured"],
        where=parts["where"],
        places_mm=parts["places_mm"],
        fix=parts["fix"],
    )
    error.__dict__.update(parts)
    return error


class InputError(BlockoutError):
    """What the user gave cannot be used."""

    exit_code = 2


class ReadError(InputError):
    """A file is missing, cut off, or not the mesh it claims to be."""


class UnitError(InputError):
    """The unit of a file cannot be told, or the one given makes no arch."""


class DefectError(InputError):
    """A mesh cannot be made a solid; ``places_mm`` says where."""


class PathError(InputError):
    """A path of insertion outside its limits, or said in no known way."""


class CaseError(InputError):
    """A key or value of a case file; ``where`` names file and line."""


class OutputError(InputError):
    """A file or folder that cannot be written."""


class CheckError(BlockoutError):
    """A result that failed its own check; nothing was written."""


class KernelError(CheckError):
    """A geometry library gave an error, or nothing where something was due."""
