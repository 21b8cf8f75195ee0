"""What is wrong with a case or a setting, in plain words: the line, and the nearest right key."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from blockout.case import parameters as p
from blockout.case.settings import parameter_of
from blockout.case.toml_lines import KeyPath, TomlLines
from blockout.errors import CaseError, InputError
from blockout.units import length_mm

SettingsT = TypeVar("SettingsT", bound=BaseModel)

_PROBLEMS_SHOWN: Final = 20
_VALUE_SHOWN: Final = 40
_ELEMENTS: Final = {
    "keep_in": ("outline", "point", "coordinate"),
    "keep_out": ("outline", "point", "coordinate"),
    "keep_off": ("outline", "point", "coordinate"),
    "gauges_mm": ("gauge",),
    "direction": ("coordinate",),
}
_DUE: Final = {
    "not_a_number": "a number is due",
    "float_type": "a number is due",
    "finite_number": "a finite number is due",
    "int_type": "a whole number is due",
    "int_from_float": "a whole number is due",
    "bool_type": "true or false is due",
    "string_type": "text in quotes is due",
    "tuple_type": "a list in square brackets is due",
    "model_type": "a table of keys is due",
}


@dataclass(frozen=True)
class Problem:
    """One wrong key or value. ``line`` is None where the text has nothing to point at."""

    line: int | None
    what: str
    fix: str | None = None

    @property
    def sentence(self) -> str:
        """What is wrong and what mends it."""
        return f"{self.what}. {self.fix}" if self.fix else f"{self.what}."


def case_error(problems: Iterable[Problem], *, file: str) -> CaseError:
    """All the problems of one file as one error, in the order of the lines, none twice."""
    ordered = sorted(dict.fromkeys(problems), key=lambda one: (one.line is None, one.line or 0))
    numbers = sorted({problem.line for problem in ordered if problem.line is not None})
    where = file
    if numbers:
        said = ", ".join(str(number) for number in numbers[:_PROBLEMS_SHOWN])
        more = ", ..." if len(numbers) > _PROBLEMS_SHOWN else ""
        where = f"{file} {'line' if len(numbers) == 1 else 'lines'} {said}{more}"
    if len(ordered) == 1:
        return CaseError(ordered[0].what, where=where, fix=ordered[0].fix)
    return CaseError(
        f"{len(ordered)} keys or values cannot be used",
        where=where,
        fix=_one_by_one(
            (f"line {problem.line}: " if problem.line else "") + problem.sentence
            for problem in ordered
        ),
    )


def settings_from(model: type[SettingsT], values: Mapping[str, Any]) -> SettingsT:
    """Make settings from values that a user gave on the command line or in Python.

    Raises
    ------
    InputError
        A value that cannot be used, in the words that a case file would get.

    >>> from blockout.case.settings import ParallelSettings
    >>> settings_from(ParallelSettings, {"taper_deg": 4}).taper_deg
    4.0
    """
    try:
        return model.model_validate(dict(values))
    except ValidationError as error:
        problems = list(dict.fromkeys(problems_of(error, model, values)))
    if len(problems) == 1:
        raise InputError(problems[0].what, fix=problems[0].fix)
    raise InputError(
        f"{len(problems)} settings cannot be used",
        fix=_one_by_one(problem.sentence for problem in problems),
    )


def problems_of(
    error: ValidationError,
    model: type[BaseModel],
    values: Mapping[str, Any],
    *,
    lines: TomlLines | None = None,
) -> list[Problem]:
    """Each error of a validation of ``values`` in our words."""
    return [
        _problem(detail, model, values, lines)
        for detail in error.errors(include_url=False)
        # points that were refused are missing from the count: they have been told already
        if detail["type"] != "too_short" or len(detail["input"]) < detail["ctx"]["min_length"]
    ]


def nearest(word: str, choices: Iterable[str]) -> str | None:
    """The choice most like a word, or None where nothing is like it.

    >>> nearest("taper", ["taper_deg", "floor_mm"]), nearest("colour", ["taper_deg"])
    ('taper_deg', None)
    """
    written = {choice.lower(): choice for choice in choices}
    plain = word.lower().replace("-", "_")
    found = difflib.get_close_matches(plain, written, n=1, cutoff=0.6)
    if not found and plain:
        found = [low for low in written if low.startswith(plain) or plain.startswith(low)]
    return written[found[0]] if found else None


def shown_value(value: Any, *, within: int = 0) -> str:
    """A value as TOML writes it, shortened; ``within`` so many lists and tables."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        escaped = value[:_VALUE_SHOWN].encode("unicode_escape").decode("ascii")
        text = f'"{escaped}"'
    elif within > _VALUE_SHOWN:
        text = "..."  # so many brackets stand before it that it is cut off anyway
    elif isinstance(value, list | tuple):
        items = [shown_value(item, within=within + 1) for item in value[:_VALUE_SHOWN]]
        text = f"[{', '.join(items)}]"
    elif isinstance(value, Mapping):
        items = [f"{key} = {shown_value(value[key], within=within + 1)}" for key in value]
        text = f"{{{', '.join(items)}}}"
    elif isinstance(value, int) and abs(value) >= 10**_VALUE_SHOWN:
        text = "a number of very many digits"
    elif isinstance(value, int | float):
        text = str(value)
    else:
        text = value.isoformat() if hasattr(value, "isoformat") else type(value).__name__
    return text if len(text) <= _VALUE_SHOWN else text[: _VALUE_SHOWN - 3] + "..."


@cache
def keys_of(model: type[BaseModel]) -> dict[str, type[BaseModel] | None]:
    """The keys of a table as a file writes them, each with the model of its own table if it is
    one.
    """
    return {
        field.alias or name: _table_model(field.annotation)
        for name, field in model.model_fields.items()
    }


def _table_model(kind: Any) -> type[BaseModel] | None:
    """The model of a table, or of each table of a list of them."""
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return kind
    found = [_table_model(part) for part in get_args(kind)]
    return next((model for model in found if model is not None), None)


def _problem(
    detail: ErrorDetails,
    model: type[BaseModel],
    values: Mapping[str, Any],
    lines: TomlLines | None,
) -> Problem:
    path: KeyPath = detail["loc"]
    kind, context = detail["type"], detail.get("ctx", {})
    if "key" in context:
        path = (*path, context["key"])
    if kind == "extra_forbidden":
        what, fix = _unknown_key(path, model)
    elif kind == "missing" and isinstance(path[-1], str):
        what, fix = f"{_label(path, model)} is missing", None
    else:
        if kind == "missing":  # a coordinate of a point: the point is what is wrong
            path = path[:-1]
        what, fix = _wrong_value(path, model, detail, _as_written(values, path))
    return Problem(lines.of(path) if lines else None, what, fix)


def _wrong_value(
    path: KeyPath, model: type[BaseModel], detail: ErrorDetails, value: Any
) -> tuple[str, str | None]:
    kind, context = detail["type"], detail.get("ctx", {})
    label, said = _label(path, model), f"{_label(path, model)} = {shown_value(value)}"
    if kind == "refused":
        return f"{label}: {context['words']}", None
    if kind in _DUE:
        return f"{said} cannot be used; {_DUE[kind]}", None
    if kind in ("greater_than_equal", "less_than_equal"):
        way = "small" if "ge" in context else "large"
        return _out_of_range(said, value, path, model, way)
    if kind in ("missing", "too_long"):
        return f"{said} has {len(value)} numbers; three are due", None
    if kind == "too_short":
        return f"{label} has {len(value)} points; an outline needs three at least", None
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", context["expected"])
        near = nearest(value, choices) if isinstance(value, str) else None
        fix = f'The nearest is "{near}".' if near else None
        return f"{said} is not known; allowed {', '.join(map(shown_value, choices))}", fix
    if kind == "string_too_short":
        return f"{label} is empty", None
    if kind == "string_too_long":
        return f"{said} is too long; at most {context['max_length']} characters", None
    return f"{said} cannot be used; {detail['msg']}", None


def _out_of_range(
    said: str, value: Any, path: KeyPath, model: type[BaseModel], way: str
) -> tuple[str, str | None]:
    *tables, name = (part for part in path if isinstance(part, str))
    table: type[BaseModel] | None = model
    for key in tables:
        table = keys_of(table)[key] if table else None
    field = table.model_fields.get(name) if table else None
    parameter = p.GAUGE if name == p.GAUGE.name or field is None else parameter_of(field)
    measured = f" ({length_mm(value):g} mm)" if isinstance(value, str) else ""
    if parameter is None:
        return f"{said}{measured} is too {way}", None
    allowed = f"{parameter.low:g} to {parameter.high:g} {parameter.unit}"
    return f"{said}{measured} is too {way}; allowed {allowed}", None


def _unknown_key(path: KeyPath, model: type[BaseModel]) -> tuple[str, str]:
    *tables, key = (part for part in path if isinstance(part, str))
    table: type[BaseModel] | None = model
    for name in tables:
        table = keys_of(table)[name] if table else None
    known = keys_of(table) if table else {}
    what = f"{shown_value(key)} is not a key of {_table(tables, model)}"
    near = nearest(key, known)
    if key not in known and near != key:
        for other, sub in keys_of(model).items():
            if sub is not None and sub is not table and key in keys_of(sub):
                return what, f"{key} belongs in [{other}]."
    if near:
        shown = f"[{near}]" if known[near] else near
        return what, f"The nearest is {shown}."
    return what, f"Known are {', '.join(f'[{name}]' if known[name] else name for name in known)}."


def _as_written(values: Mapping[str, Any], path: KeyPath) -> Any:
    """The value at ``path`` before anything was made of it, such as text that is a length."""
    value: Any = values
    for part in path:
        if isinstance(value, Mapping):
            value = value.get(str(part))
        elif isinstance(value, list | tuple) and isinstance(part, int) and part < len(value):
            value = value[part]
    return value


def _table(tables: Iterable[str], model: type[BaseModel]) -> str:
    names = list(tables)
    if names:
        return f"[{'.'.join(names)}]"
    return "the top level" if any(keys_of(model).values()) else "these settings"


def _label(path: KeyPath, model: type[BaseModel]) -> str:
    """How a message names a place: ``[parallel] keep_in outline 2 point 1``."""
    if not path:
        return _table((), model)
    if len(path) == 1 and keys_of(model).get(str(path[0])):
        return f"[{path[0]}]"
    table = keys_of(model).get(str(path[0]))
    words, used = ([f"[{path[0]}]"], 1) if table else ([str(path[0])], 1)
    while table is not None and used < len(path):
        part, used = path[used], used + 1
        if isinstance(part, int):
            words.append(f"{part + 1}")
            continue
        words.append(part)
        table = keys_of(table).get(part)
    elements = _ELEMENTS.get(words[-1], ())
    for name, number in zip(elements, path[used:], strict=False):
        words.append(f"{name} {int(number) + 1}")
    return " ".join(words)


def _one_by_one(sentences: Iterable[str]) -> str:
    listed = [f"\n  {sentence}" for sentence in sentences]
    left = len(listed) - _PROBLEMS_SHOWN
    tail = f"\n  and {left} more." if left > 0 else ""
    return "One by one:" + "".join(listed[:_PROBLEMS_SHOWN]) + tail
