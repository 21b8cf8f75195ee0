"""Write a case file, or change one that a user wrote without losing comments or layout."""

from __future__ import annotations

from collections import Counter
from collections.abc import Set
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any, cast

import tomlkit
from tomlkit import TOMLDocument
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import (
    AbstractTable,
    AoT,
    Comment,
    InlineTable,
    Item,
    Key,
    Table,
    Trivia,
    Whitespace,
)

from blockout.case.case import Case, case_text, parse_case, read_case
from blockout.case.problems import settings_from
from blockout.case.settings import PathSettings
from blockout.case.toml_lines import toml_lines
from blockout.errors import OutputError
from blockout.writing import replacing_file

Values = dict[str, Any]

_BOM = "\ufeff"


def write_case(path: Path, case: Case) -> None:
    """Write a case to a file; an older case file is changed only where its values differ.

    What the case states is written; what it leaves to the defaults is not. In an older file,
    values that mean the same are kept as written (``"0.020 in"`` stays), and so are comments,
    order and line ends.

    Raises
    ------
    CaseError
        There is an older file, and it is not a case file that can be read.
    OutputError
        The file cannot be written, or it is laid out so that it cannot be changed safely.
    """
    path = Path(path)
    text = text_of_case(case, old=case_text(path) if path.exists() else None, path=path)
    with replacing_file(path) as new:
        new.write_bytes(text.encode("utf-8"))


def text_of_case(case: Case, *, old: str | None, path: Path) -> str:
    """What :func:`write_case` writes to ``path`` where the text ``old`` stands, or nothing does.

    Raises
    ------
    CaseError, OutputError
        As :func:`write_case`.
    """
    if old is not None:
        before = parse_case(old, file=path.name)
        if before == case and _stated(before) == _stated(case):
            return old
        text = _changed(old, before, case, path)
    else:
        text = tomlkit.dumps(_document(case))
    if parse_case(text, file=path.name).model_dump() != case.model_dump():
        raise OutputError(
            "the case file is laid out so that it cannot be changed without touching other values",
            where=str(path),
            fix="Change it by hand, or name a new file.",
        )
    return text


def set_path(path: Path, *, anterior_tilt_deg: float, lateral_tilt_deg: float) -> Case:
    """Put a path of insertion into a user's case file, instead of the tilts or direction there.

    Returns the case as it now is. Raises as :func:`write_case`, and InputError for a tilt out of
    range.
    """
    case = read_case(path)
    said = case.path.model_dump(exclude_unset=True, exclude={"direction"})
    tilts = {"anterior_tilt_deg": anterior_tilt_deg, "lateral_tilt_deg": lateral_tilt_deg}
    changed = case.model_copy(update={"path": settings_from(PathSettings, said | tilts)})
    write_case(path, changed)
    return read_case(path)


def _stated(case: Case) -> dict[str, Any]:
    """What the case states, as TOML holds it."""
    values = case.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True)
    return {"schema": case.schema_version} | values


def _document(case: Case) -> TOMLDocument:
    document = tomlkit.document()
    for name, value in _stated(case).items():
        if isinstance(value, dict):
            if value:
                document.add(tomlkit.nl())
                document.add(name, _table(value))
        else:
            document.add(name, _item(value))
    return document


def _table(values: Values) -> Table:
    table = tomlkit.table()
    for key, value in values.items():
        table.add(key, _item(value))
    return table


def _item(value: Any) -> Item:
    item: Any = tomlkit.item(value)
    if isinstance(value, list) and value and isinstance(value[0], list):
        item.multiline(True)
    return cast(Item, item)


def _changed(old: str, before: Case, after: Case, path: Path) -> str:
    """The old text with the values of ``after``."""
    bom, line_end = old.startswith(_BOM), "\r\n" if "\r\n" in old else "\n"
    plain = old.removeprefix(_BOM).replace("\r\n", "\n")
    try:
        document = tomlkit.parse(plain)
        new_tables = _change_document(document, _meant(before), _meant(after), _stated(after))
        text = tomlkit.dumps(document)
    except (TOMLKitError, ValueError) as error:
        raise OutputError(
            "the case file is laid out so that it cannot be changed", where=str(path)
        ) from error
    for name, values in new_tables.items():
        # rendered as a document of its own, so that lists of tables in it get its name
        new = tomlkit.document()
        new.add(name, _table(values))
        text = text.rstrip("\n") + f"\n\n{tomlkit.dumps(new)}"
    # an inline table has no room for a comment that stood inside a list in it
    lost = "".join(f"{comment}\n" for comment in _comments_lost(plain, text))
    return (_BOM if bom else "") + (lost + text).replace("\n", line_end)


def _comments_lost(old: str, new: str) -> list[str]:
    left = Counter(comment for _, comment in toml_lines(new).comments)
    lost = []
    for _, comment in toml_lines(old).comments:
        left[comment] -= 1
        if left[comment] < 0:
            lost.append(comment)
    return lost


def _meant(case: Case) -> Values:
    return case.model_dump(mode="json", by_alias=True)


def _change_document(
    document: TOMLDocument, before: Values, after: Values, stated: Values
) -> dict[str, Values]:
    """Change the parsed text, which is ours alone, in place; give back the tables it lacks.

    Only the bodies are changed, which is all that rendering reads; the mapping that tomlkit keeps
    beside them would append new keys behind comments that belong to the next table.
    """
    tables = {name: value for name, value in stated.items() if isinstance(value, dict)}
    plain = {name: value for name, value in stated.items() if name not in tables}
    new_tables = {}
    for name in (name for name, value in after.items() if isinstance(value, dict)):
        parts = [item for key, item in document.body if key is not None and key.key == name]
        values = tables.get(name, {})
        if parts:
            _change_table(parts, before[name], after[name], values)
        elif values:
            new_tables[name] = values
    _change_body(document.body, before, after, plain, add=plain.keys() - set(document))
    return new_tables


def _change_table(parts: list[Any], before: Values, after: Values, stated: Values) -> None:
    """Change one table; dotted keys make several parts of it."""
    there = {key for part in parts for key in part}
    for part in parts:
        add = stated.keys() - there if part is parts[-1] else set()
        if isinstance(part, InlineTable):
            _change_inline(part, before, after, stated)
        else:
            if add:
                _end_line(part)
            _change_body(part.value.body, before, after, stated, add=add)


def _change_inline(table: InlineTable, before: Values, after: Values, stated: Values) -> None:
    for key in [key for key in table if before[key] != after[key] and key not in stated]:
        table.remove(key)
    for key, value in stated.items():
        if key not in table or before[key] != after[key]:
            table[key] = value


def _change_body(
    body: list[tuple[Key | None, Item]],
    before: Values,
    after: Values,
    stated: Values,
    *,
    add: Set[str],
) -> None:
    changed: list[tuple[Key | None, Item]] = []
    # new keys go behind the last key, before comments that lead to what follows; tables and lists
    # of them behind all keys
    last_key = last = 0
    for key, item in body:
        if key is None or (isinstance(item, AbstractTable | AoT) and key.key not in stated):
            is_emptied = (
                key is not None and isinstance(item, AoT) and before[key.key] != after[key.key]
            )
            if not is_emptied:
                changed.append((key, item))
            if key is not None:
                last = len(changed)
            continue
        if before[key.key] == after[key.key]:
            changed.append((key, item))
        elif key.key in stated:
            value = stated[key.key]
            new: Item
            if isinstance(item, AoT):
                new = _list_of_tables(item, before[key.key], after[key.key], value)
            else:
                changed += _comment_lines(item, inside_only=True)
                new = _in_place_of(item, value)
            changed.append((key, new))
        else:
            changed += _comment_lines(item)
        last = len(changed)
        if not isinstance(item, AbstractTable | AoT):
            last_key = last
    added: list[tuple[Key | None, Item]] = [
        (tomlkit.key(name), _ended(_item(stated[name]))) for name in stated if name in add
    ]
    new_keys = [pair for pair in added if not isinstance(pair[1], AoT)]
    new_lists = [pair for pair in added if isinstance(pair[1], AoT)]
    if last_key and new_keys:
        _end_line(changed[last_key - 1][1])
    if last and new_lists:
        _end_line(changed[last - 1][1])
    body[:] = [
        *changed[:last_key],
        *new_keys,
        *changed[last_key:last],
        *new_lists,
        *changed[last:],
    ]


def _list_of_tables(
    old: AoT, before: list[Values], after: list[Values], stated: list[Values]
) -> AoT:
    """The list with the tables of ``stated``: those that are the same stay as they were written,
    and one that is changed keeps what is not.
    """
    kept: list[Table] = []
    tables: list[Any] = list(old)
    steps = SequenceMatcher(
        None, [repr(one) for one in before], [repr(one) for one in after], autojunk=False
    ).get_opcodes()
    for _, i, i_end, j, j_end in steps:
        for k in range(j_end - j):
            if i + k < i_end:
                table = tables[i + k]
                add = stated[j + k].keys() - set(table)
                _change_body(table.value.body, before[i + k], after[j + k], stated[j + k], add=add)
            else:
                table = _table(stated[j + k])
                table.trivia.indent = "\n"
            kept.append(table)
    # parsed: with the blank lines that its tables have
    return AoT(kept, name=old.name, parsed=True)


def _in_place_of(old: Item, value: Any) -> Item:
    new = _inline(value)
    for part in ("indent", "comment_ws", "comment", "trail"):
        setattr(new.trivia, part, getattr(old.trivia, part))
    return new


def _inline(value: Any) -> Item:
    """A value for a place after an equals sign: tables in a list are written in braces."""
    if not (isinstance(value, list) and value and isinstance(value[0], dict)):
        return _item(value)
    array: Any = tomlkit.array()
    for one in value:
        table = tomlkit.inline_table()
        for key, part in one.items():
            table.append(key, _inline(part))
        array.append(table)
    return cast(Item, array)


def _comment_lines(item: Item, *, inside_only: bool = False) -> list[tuple[None, Item]]:
    """The comments of a value that goes, each on a line of its own."""
    comments = [comment for _, comment in toml_lines(f"x = {item.as_string()}\n").comments]
    if item.trivia.comment and not inside_only:
        comments.append(item.trivia.comment)
    return [
        (None, Comment(Trivia(indent=item.trivia.indent, comment=comment))) for comment in comments
    ]


def _ended(item: Item) -> Item:
    _end_line(item)
    return item


def _end_line(item: Item) -> None:
    """A last line without a line end gets one, so that a line may follow."""
    if not isinstance(item, Whitespace) and not item.trivia.trail:
        item.trivia.trail = "\n"
