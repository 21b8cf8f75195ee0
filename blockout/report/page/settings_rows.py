"""Every value that a case used, as rows: the value, its default, and where that comes from."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any, Final

from blockout.report.page.traced import Traced, known, pairs, plain

_OTHER_COMMANDS: Final = {
    "choosing": ("choice", "choose-path"),
    "recording": ("tripod", "tripod"),
    "sureness": ("sureness", "sureness"),
    "compare": ("comparison", "compare"),
    "try_in": ("try-in", "try-in"),
}
"""Tables that the build leaves alone: the companion that shows their use, and its command."""
_SHOWN_NUMBERS: Final = 6


@dataclass(frozen=True)
class SettingsGroup:
    """One table of a case file.

    Parameters
    ----------
    title : str
        As a case file names it.
    used_by : str
        The command that uses it, where that is not the build.
    rows : tuple of (str, Traced)
        Key and fact of each value.
    """

    title: str
    used_by: str
    rows: tuple[tuple[str, Traced], ...]

    @property
    def states_any(self) -> bool:
        """Whether the case names one of them."""
        return any(bool(fact.stated) for _, fact in self.rows)


def settings_groups(case: Traced, *, shown: Collection[str]) -> list[SettingsGroup]:
    """The tables of a case, as :func:`blockout.case.facts.case_facts` tells them.

    What has neither value nor default, nor a source to tell of, is left out; so are tables that
    the build did not use, unless a companion of that kind is shown or the case states a value.
    What all tables of a list have alike is told once.

    Parameters
    ----------
    case : Traced
    shown : collection of str
        Kinds of the report's companions.

    Raises
    ------
    InputError
        The document holds something else.
    """
    groups = []
    for name, table in pairs(case):
        if not isinstance(plain(table), dict | list):
            continue
        kind, command = _OTHER_COMMANDS.get(name, ("", ""))
        found = [group for group in _groups(name, table, command) if group.rows]
        if not kind or kind in shown or any(group.states_any for group in found):
            groups += found
    return groups


def _groups(title: str, table: Traced, used_by: str) -> Iterator[SettingsGroup]:
    if isinstance(plain(table), list):
        yield from _list_of_tables(title, [list(_groups(title, one, used_by)) for one in table])
        return
    rows, inner = [], []
    for key, fact in pairs(table):
        if known(fact.stated):
            if plain(fact.stated) or plain(fact.value) not in (None, [], "") or fact.mark:
                rows.append((key, fact))
        else:
            inner.append((key, fact))
    yield SettingsGroup(title, used_by, tuple(rows))
    for key, fact in inner:
        yield from _groups(f"{title}.{key}", fact, used_by)


def _list_of_tables(title: str, tables: list[list[SettingsGroup]]) -> Iterator[SettingsGroup]:
    """Each table of a list; what they all have alike once, in a table for all."""
    firsts = [groups[0] for groups in tables if groups]
    alike = (
        [key for key, fact in firsts[0].rows if all((key, fact) in one.rows for one in firsts)]
        if len(firsts) > 1
        else []
    )
    if alike:
        rows = tuple((key, fact) for key, fact in firsts[0].rows if key in alike)
        yield SettingsGroup(f"every {title}", firsts[0].used_by, rows)
    for number, groups in enumerate(tables, start=1):
        for group in groups:
            rows = tuple((key, fact) for key, fact in group.rows if key not in alike)
            name = f"{title} {number}{group.title.removeprefix(title)}"
            yield SettingsGroup(name, group.used_by, rows)


def value_name(key: str) -> str:
    """The key of a value in words: its unit stands beside the number.

    >>> value_name("border_trim_mm"), value_name("resin_density_g_per_cm3"), value_name("alloy")
    ('border trim', 'resin density', 'alloy')
    """
    return re.sub(r"_(mm[23]?|deg|g_per_cm3)$", "", key).replace("_", " ")


def points_in_words(value: Any) -> str:
    """A list too long for a table cell, in words; "" where it is none.

    >>> points_in_words([[1.0, 2, 3], [4, 5, 6]]), points_in_words([[[0, 0, 0]] * 4] * 2)
    ('2 points', '2 lines of 4 and 4 points')
    >>> points_in_words([0.25, 0.5]), points_in_words("left")
    ('', '')
    """
    if not isinstance(value, list) or not value:
        return ""
    if all(_is_point(one) for one in value):
        return f"{len(value)} points"
    if all(isinstance(one, list) and one and all(map(_is_point, one)) for one in value):
        counts = " and ".join(str(len(one)) for one in value)
        return f"{len(value)} line{'s' if len(value) > 1 else ''} of {counts} points"
    return f"{len(value)} values" if len(value) > _SHOWN_NUMBERS or _is_nested(value) else ""


def _is_point(value: Any) -> bool:
    return (
        isinstance(value, list)
        and len(value) == 3
        and all(isinstance(one, int | float) for one in value)
    )


def _is_nested(value: list[Any]) -> bool:
    return any(isinstance(one, list | dict) for one in value)
