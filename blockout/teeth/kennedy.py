"""Kennedy classes of partly edentulous arches, told apart by Applegate's rules.

The most posterior span decides the class: I free ends on both sides, II a free end on one side,
III bounded, IV one bounded span across the midline and no other. Each further span is a
modification, whatever its length; class IV has none. A missing tooth that is not to be replaced
is left out of account, which is usual for third molars and sometimes done with second ones; a
third molar counts as present only where it is an abutment. (Published rules.)
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Literal

from blockout.case.settings import Arch
from blockout.errors import InputError
from blockout.teeth.numbers import arch_order, check_teeth, is_right, place

KennedyNumber = Literal["I", "II", "III", "IV"]

_THIRD: Final = 8
_MAY_BE_LEFT_OUT: Final = (7, 8)


@dataclass(frozen=True)
class KennedyClass:
    """The class of an arch.

    Parameters
    ----------
    number : "I", "II", "III" or "IV"
    modifications : int
        Spans besides those that decide the class.
    spans : tuple of tuple of int
        The missing teeth in account, span by span, from the patient's right to the left.
    """

    number: KennedyNumber
    modifications: int
    spans: tuple[tuple[int, ...], ...]

    @property
    def text(self) -> str:
        """Such as ``class II, modification 2``."""
        more = f", modification {self.modifications}" if self.modifications else ""
        return f"class {self.number}{more}"


def kennedy(
    arch: Arch,
    missing: Collection[int],
    *,
    third_molar_abutments: Collection[int] = (),
    third_molars_replaced: Collection[int] = (),
    not_replaced: Collection[int] = (),
) -> KennedyClass | None:
    """The Kennedy class that the missing teeth make, by Applegate's rules.

    Parameters
    ----------
    arch : "lower" or "upper"
    missing : collection of int
        ISO 3950 numbers. Third molars among them are left out of account unless they are to be
        replaced.
    third_molar_abutments : collection of int
        Third molars that stand and are used as abutments; any other is left out of account.
    third_molars_replaced : collection of int
        Missing third molars that are to be replaced.
    not_replaced : collection of int
        Missing second molars that are not to be replaced, since nothing bites on them.

    Returns
    -------
    KennedyClass or None
        None where no tooth in account is missing.

    Raises
    ------
    InputError
        A tooth of another arch, one that is said to be both present and missing, one left out
        that no rule lets be left out, or no tooth remains.

    >>> kennedy("lower", [36, 37, 45]).text
    'class II, modification 1'
    """
    for group in (missing, third_molar_abutments, third_molars_replaced, not_replaced):
        check_teeth(group, arch)
    gone = set(missing)
    _check_roles(gone, third_molar_abutments, third_molars_replaced, not_replaced)
    counted = {*third_molar_abutments, *third_molars_replaced}
    row = [
        number
        for number in arch_order(arch)
        if (place(number) != _THIRD or number in counted) and number not in not_replaced
    ]
    if all(number in gone for number in row):
        raise InputError(
            "no tooth remains, so the arch is not partly edentulous",
            measured=f"{len(row)} teeth in account, all missing",
            fix="Take the teeth that stand off the list of missing ones.",
        )
    spans = _spans(row, gone)
    if not spans:
        return None
    free_ends = sum((row[0] in gone, row[-1] in gone))
    if free_ends == 2:
        return KennedyClass("I", len(spans) - 2, spans)
    if free_ends == 1:
        return KennedyClass("II", len(spans) - 1, spans)
    if len(spans) == 1 and len({is_right(number) for number in spans[0]}) == 2:
        return KennedyClass("IV", 0, spans)
    return KennedyClass("III", len(spans) - 1, spans)


def _check_roles(
    missing: set[int],
    abutments: Collection[int],
    replaced: Collection[int],
    not_replaced: Collection[int],
) -> None:
    for number in abutments:
        if number in missing or place(number) != _THIRD:
            raise InputError(
                f"tooth {number} cannot be a third molar used as abutment",
                measured="it is missing" if number in missing else "it is no third molar",
                fix="Name only third molars that stand.",
            )
    for number in replaced:
        if number not in missing or place(number) != _THIRD:
            raise InputError(
                f"tooth {number} cannot be a third molar that is replaced",
                measured="it is no third molar" if number in missing else "it is not missing",
                fix="Name only third molars that are also on the list of missing teeth.",
            )
    for number in not_replaced:
        if number not in missing or place(number) not in _MAY_BE_LEFT_OUT:
            raise InputError(
                f"tooth {number} cannot be left out of account",
                measured="it is not missing"
                if number not in missing
                else "it is no molar that Applegate's rules let be left out (second or third)",
                fix="Name only missing second and third molars that are not to be replaced.",
            )
        if number in replaced:
            raise InputError(
                f"tooth {number} is said to be replaced and not to be", fix="Say one of the two."
            )


def _spans(row: list[int], gone: set[int]) -> tuple[tuple[int, ...], ...]:
    """Runs of missing teeth along the row."""
    spans: list[list[int]] = []
    before = False
    for number in row:
        if number in gone:
            if before:
                spans[-1].append(number)
            else:
                spans.append([number])
        before = number in gone
    return tuple(tuple(span) for span in spans)
