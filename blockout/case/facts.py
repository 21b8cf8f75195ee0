"""Which values a case uses, and where each comes from."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from blockout.case import parameters as p
from blockout.case.case import Case
from blockout.case.settings import parameter_of


def case_facts(case: Case) -> dict[str, Any]:
    """Every value of a case with its origin, ready for JSON.

    Each table of the case file gives one object, a list of tables a list of them; each key in it
    gives ``value`` (None where it is left to the program), ``unit``, ``stated`` (the case names
    it), ``is_default`` (the value is the default, stated or not), ``default``, and ``mark`` and
    ``source`` of the default.

    >>> from blockout.case.case import CastSettings
    >>> facts = case_facts(Case(cast=CastSettings(file="a.stl", land_mm="0.1 in")))
    >>> land = facts["cast"]["land_mm"]
    >>> land["value"], land["unit"], land["is_default"], land["default"], land["mark"]
    (2.54, 'mm', False, 3.0, 'common practice')
    """
    facts: dict[str, Any] = {"schema": case.schema_version, "name": case.name}
    for name in type(case).model_fields:
        table = getattr(case, name)
        if _is_table(table) or isinstance(table, tuple):
            facts[name] = _table_facts(table)
    return facts


def _is_table(value: Any) -> bool:
    return isinstance(value, BaseModel) or (
        isinstance(value, tuple) and bool(value) and isinstance(value[0], BaseModel)
    )


def _table_facts(table: Any) -> Any:
    if isinstance(table, tuple):
        return [settings_facts(one) for one in table]
    return settings_facts(table)


def settings_facts(settings: BaseModel) -> dict[str, Any]:
    """The same for the settings of one step."""
    plain = settings.model_dump(mode="json")
    facts: dict[str, Any] = {}
    for name, field in type(settings).model_fields.items():
        value = getattr(settings, name)
        stated = name in settings.model_fields_set
        facts[name] = (
            _table_facts(value)
            if _is_table(value)
            else _fact(name, plain[name], field, stated=stated)
        )
    return facts


def _fact(name: str, value: Any, field: Any, *, stated: bool) -> dict[str, Any]:
    parameter = p.GAUGE if name == p.GAUGE.name else parameter_of(field)
    default = None if field.is_required() else field.get_default(call_default_factory=True)
    default = list(default) if isinstance(default, tuple) else default
    return {
        "value": value,
        "unit": parameter.unit if parameter else None,
        "stated": stated,
        "is_default": not field.is_required() and value == default,
        "default": default,
        "mark": parameter.mark if parameter else None,
        "source": parameter.source if parameter else None,
    }
