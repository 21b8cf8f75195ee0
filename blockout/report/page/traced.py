"""A value of a document that knows where it stands in it.

The page shows numbers of JSON documents. Each is written as ``<data value="..." data-of="...">``:
the value to the last digit, and the place it was read from as a JSON Pointer (RFC 6901) after the
document's name, so that a reader's program, or a test, can hold every figure against its source.
What a document lacks, or holds in another shape than expected, is told when it is used.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final, NoReturn

from markupsafe import Markup, escape

from blockout.errors import InputError
from blockout.report.page.numbers import in_words, unit_of

_ABSENT: Final = object()
_NOTHING: Final = Markup(
    '<span class="none" title="not known, or not asked for">\N{EN DASH}</span>'
)


class Traced:
    """One value of a document; ``traced.key`` and ``traced["key"]`` lead further down.

    In a template it writes itself: text escaped, a number with the unit its key names, yes or no,
    a dash for None. It is true as its value is; what is absent is false, and refused when written.

    Parameters
    ----------
    value : anything JSON holds
    document : str
        What the document is called in messages and in ``data-of``.
    pointer : str
        JSON Pointer of the value.

    Raises
    ------
    InputError
        On use: the value is absent, or not of the kind that its key promises.

    >>> facts = Traced({"arms": [{"length_mm": 8.439}]}, "summary.json")
    >>> print(facts.arms[0].length_mm.__html__())
    <data value="8.439" data-of="summary.json#/arms/0/length_mm">8.44 mm</data>
    """

    # no public names: a document may use any word as a key
    __slots__ = ("_document", "_pointer", "_value")

    def __init__(self, value: Any, document: str, pointer: str = "") -> None:
        self._value, self._document, self._pointer = value, document, pointer

    def __getattr__(self, key: str) -> Traced:
        if key.startswith("__"):
            raise AttributeError(key)
        return self[key]

    def __getitem__(self, key: str | int) -> Traced:
        inner: Any = _ABSENT
        if isinstance(key, str) and isinstance(self._value, Mapping):
            inner = self._value.get(key, _ABSENT)
        elif isinstance(key, int) and isinstance(self._value, list):
            inner = self._value[key] if 0 <= key < len(self._value) else _ABSENT
        step = str(key).replace("~", "~0").replace("/", "~1")
        return Traced(inner, self._document, f"{self._pointer}/{step}")

    def __iter__(self) -> Iterator[Traced]:
        if not isinstance(self._value, list):
            self._refuse("a list")
        return (self[number] for number in range(len(self._value)))

    def __len__(self) -> int:
        return len(self._value) if isinstance(self._value, str | list | Mapping) else 0

    def __bool__(self) -> bool:
        return self._value is not _ABSENT and bool(self._value)

    def __eq__(self, other: object) -> bool:
        return bool(self._value == (other._value if isinstance(other, Traced) else other))

    def __hash__(self) -> int:
        return hash((self._document, self._pointer))

    def __html__(self) -> Markup:
        return self._written(unit_of(self._pointer))

    def _written(self, unit: str) -> Markup:
        value = self._value
        if value is None:
            return _NOTHING
        if isinstance(value, bool):
            return Markup("yes" if value else "no")
        if isinstance(value, int | float):
            return Markup('<data value="{}" data-of="{}#{}">{}</data>').format(
                repr(value), self._document, self._pointer, in_words(value, unit)
            )
        if not isinstance(value, str) or unit:
            self._refuse("a number" if unit else "a text or a number")
        return escape(value)

    def _refuse(self, wanted: str) -> NoReturn:
        kind = "absent" if self._value is _ABSENT else type(self._value).__name__
        raise InputError(
            "a document is not as this version writes it",
            measured=f"{self._pointer or 'the whole'} is {kind}, {wanted} is needed",
            where=self._document,
            fix="Run the command that wrote it again.",
        )


def known(traced: Traced) -> bool:
    """Whether there is a value, be it 0 or empty: neither absent nor None.

    >>> known(Traced({"a": 0}, "x").a), known(Traced({"a": None}, "x").a), known(Traced({}, "x").a)
    (True, False, False)
    """
    return traced._value is not _ABSENT and traced._value is not None


def plain(traced: Traced) -> Any:
    """The bare value.

    Raises
    ------
    InputError
        It is absent.
    """
    if traced._value is _ABSENT:
        traced._refuse("a value")
    return traced._value


def number(traced: Traced) -> float:
    """The bare value of what must be a number.

    Raises
    ------
    InputError
    """
    if isinstance(traced._value, bool) or not isinstance(traced._value, int | float):
        traced._refuse("a number")
    return float(traced._value)


def numbers(traced: Traced, *, count: int) -> list[float]:
    """The bare values of a list of so many numbers.

    Raises
    ------
    InputError
    """
    values = [number(one) for one in traced]
    if len(values) != count:
        traced._refuse(f"a list of {count} numbers")
    return values


def pairs(traced: Traced) -> list[tuple[str, Traced]]:
    """Keys and values of an object, in its own order.

    Raises
    ------
    InputError
    """
    if not isinstance(traced._value, Mapping):
        traced._refuse("an object")
    return [(key, traced[key]) for key in traced._value]


def bare(traced: Traced) -> Markup:
    """A number with the digits its unit bears but without the unit's sign.

    >>> print(bare(Traced({"length_mm": 8.439}, "x").length_mm))
    <data value="8.439" data-of="x#/length_mm">8.44</data>
    """
    return traced._written(f"bare {unit_of(traced._pointer)}".strip())


def with_unit(traced: Traced, unit: Any) -> Markup:
    """A number whose unit stands elsewhere in the document; text and the rest as they are."""
    named = str(unit or "")
    value = traced._value
    if isinstance(value, list) and all(isinstance(one, str | int | float) for one in value):
        return Markup(", ").join(one._written(named) for one in traced) if value else _NOTHING
    return traced._written("" if isinstance(value, str) else named)
