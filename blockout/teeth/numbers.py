"""Tooth numbers by ISO 3950: first digit the quadrant, second the place from the midline.

Quadrants of permanent teeth as the patient sees them: 1 upper right, 2 upper left, 3 lower left, 4
lower right.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Final

from blockout.case.settings import Arch
from blockout.errors import InputError

PLACES: Final = 8
"""Permanent teeth of a quadrant."""

_QUADRANTS: Final[dict[Arch, tuple[int, int]]] = {"upper": (1, 2), "lower": (4, 3)}
"""The patient's right, then left."""

_KINDS: Final = (
    "central incisor", "lateral incisor", "canine", "first premolar", "second premolar",
    "first molar", "second molar", "third molar",
)  # fmt: skip
_ANTERIOR_PLACES: Final = 3


def arch_order(arch: Arch) -> tuple[int, ...]:
    """The sixteen numbers of an arch, from the patient's right to the left.

    >>> arch_order("lower")[:3], arch_order("upper")[-3:]
    ((48, 47, 46), (26, 27, 28))
    """
    right, left = _QUADRANTS[arch]
    return (
        *(10 * right + place for place in range(PLACES, 0, -1)),
        *(10 * left + place for place in range(1, PLACES + 1)),
    )


def quadrant(number: int) -> int:
    """1 upper right, 2 upper left, 3 lower left, 4 lower right."""
    return number // 10


def place(number: int) -> int:
    """1 central incisor to 8 third molar."""
    return number % 10


def is_anterior(number: int) -> bool:
    """An incisor or canine."""
    return place(number) <= _ANTERIOR_PLACES


def is_right(number: int) -> bool:
    """On the patient's right."""
    return quadrant(number) in (1, 4)


def arch_of(number: int) -> Arch:
    """The arch that has this tooth.

    Raises
    ------
    InputError
        No permanent tooth has this number.
    """
    for arch in _QUADRANTS:
        if number in arch_order(arch):
            return arch
    raise InputError(
        f"{number} is not the number of a permanent tooth",
        measured="ISO 3950 has 11 to 18, 21 to 28, 31 to 38 and 41 to 48",
        fix="Name teeth by quadrant and place, such as 46.",
    )


def check_tooth(number: int, arch: Arch) -> None:
    """Refuse a number that the arch does not have.

    Raises
    ------
    InputError
        No permanent tooth has this number, or one of the other arch has.
    """
    if arch_of(number) != arch:
        right, left = _QUADRANTS[arch]
        raise InputError(
            f"tooth {number} does not belong to the {arch} arch",
            measured=f"it has {right}1 to {right}8 and {left}1 to {left}8",
            fix="Correct the number, or say with --arch which arch this is.",
        )


def check_teeth(numbers: Collection[int], arch: Arch) -> None:
    """As :func:`check_tooth` for each of them; a number said twice is refused as well."""
    seen: set[int] = set()
    for number in numbers:
        check_tooth(number, arch)
        if number in seen:
            raise InputError(f"tooth {number} is named twice", fix="Name each tooth once.")
        seen.add(number)


def in_arch_order(numbers: Iterable[int], arch: Arch) -> tuple[int, ...]:
    """The same numbers from the patient's right to the left."""
    return tuple(sorted(numbers, key=arch_order(arch).index))


def tooth_name(number: int) -> str:
    """The tooth in words.

    >>> tooth_name(46)
    'lower right first molar'
    """
    side = "right" if is_right(number) else "left"
    return f"{arch_of(number)} {side} {_KINDS[place(number) - 1]}"
