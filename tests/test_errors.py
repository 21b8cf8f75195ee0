"""The tree of errors: shape, exit codes, and how a message is put together."""

from __future__ import annotations

import inspect
import re

import pytest

from blockout import errors
from blockout.errors import (
    BlockoutError,
    CaseError,
    CheckError,
    DefectError,
    InputError,
    KernelError,
    OutputError,
    PathError,
    ReadError,
    UnitError,
)

TREE = {
    BlockoutError: Exception,
    InputError: BlockoutError,
    ReadError: InputError,
    UnitError: InputError,
    DefectError: InputError,
    PathError: InputError,
    CaseError: InputError,
    OutputError: InputError,
    CheckError: BlockoutError,
    KernelError: CheckError,
}


def _classes() -> dict[str, type[BlockoutError]]:
    return {
        name: kind
        for name, kind in inspect.getmembers(errors, inspect.isclass)
        if issubclass(kind, BlockoutError)
    }


def test_the_tree_is_whole() -> None:
    assert set(_classes().values()) == set(TREE)
    for kind, parent in TREE.items():
        assert kind.__bases__ == (parent,)


def test_the_drawing_at_the_top_of_the_file_shows_every_class_and_its_depth() -> None:
    drawn = re.findall(r"^    ([| `-]*)(\w+Error)\b", errors.__doc__ or "", flags=re.MULTILINE)
    assert [name for _, name in drawn] == [kind.__name__ for kind in TREE]
    for lead, name in drawn:
        depth = len(_classes()[name].__mro__) - len(BlockoutError.__mro__)
        assert len(lead) == 3 * depth, name


def test_the_drawing_states_the_exit_codes() -> None:
    # the house's contract: 2 for what the user gave, 1 for a result of ours that failed
    for kind in TREE:
        assert kind.exit_code == (2 if issubclass(kind, InputError) else 1), kind
    assert re.search(r"InputError .* exit code 2", errors.__doc__ or "")
    assert re.search(r"CheckError .* exit code 1", errors.__doc__ or "")


@pytest.mark.parametrize("kind", TREE)
def test_every_kind_takes_the_four_parts_and_keeps_them(kind: type[BlockoutError]) -> None:
    error = kind(
        "the wall is thin",
        measured="0.4 mm, limit 1 mm",
        where="tooth 34",
        places_mm=[(1, 2, 3)],
        fix="Widen it with --land.",
    )
    assert error.what == "the wall is thin"
    assert error.measured == "0.4 mm, limit 1 mm"
    assert error.where == "tooth 34"
    assert error.places_mm == ((1.0, 2.0, 3.0),)
    assert error.fix == "Widen it with --land."
    assert str(error) == (
        "the wall is thin; 0.4 mm, limit 1 mm; at tooth 34; near (1.00, 2.00, 3.00) mm. "
        "Widen it with --land."
    )


@pytest.mark.parametrize(
    ("parts", "sentence"),
    [
        ({}, "it is empty."),
        ({"measured": "0 bytes"}, "it is empty; 0 bytes."),
        ({"where": "a.stl"}, "it is empty; at a.stl."),
        ({"fix": "Scan again."}, "it is empty. Scan again."),
        ({"where": "a.stl", "fix": "Scan again."}, "it is empty; at a.stl. Scan again."),
        ({"places_mm": ()}, "it is empty."),
        ({"measured": "", "where": "", "fix": ""}, "it is empty."),
    ],
)
def test_only_the_parts_that_are_there_are_said(parts: dict[str, object], sentence: str) -> None:
    assert str(InputError("it is empty", **parts)) == sentence  # type: ignore[arg-type]


@pytest.mark.parametrize(("count", "more"), [(5, None), (6, 1), (1000, 995)])
def test_five_places_are_shown_and_the_rest_counted(count: int, more: int | None) -> None:
    places = [(float(k), 0.0, -0.5) for k in range(count)]
    error = DefectError("holes", places_mm=places)
    assert len(error.places_mm) == count
    assert str(error).count("(") == 5
    assert "(4.00, 0.00, -0.50)" in str(error)
    tail = f" mm and {more} more places." if more else " mm."
    assert str(error).endswith(tail)


def test_places_are_plain_floats_whatever_came_in() -> None:
    numpy = pytest.importorskip("numpy")
    error = DefectError("holes", places_mm=numpy.arange(6, dtype=numpy.float32).reshape(2, 3))
    assert error.places_mm == ((0.0, 1.0, 2.0), (3.0, 4.0, 5.0))
    assert {type(value) for place in error.places_mm for value in place} == {float}


def test_catching_the_root_catches_all_and_the_cause_is_kept() -> None:
    def write() -> None:
        try:
            raise OSError("no space left")
        except OSError as cause:
            raise OutputError("the folder cannot be written") from cause

    with pytest.raises(BlockoutError) as caught:
        write()
    assert isinstance(caught.value.__cause__, OSError)
    assert not issubclass(BlockoutError, ValueError | OSError)


def test_parts_are_keyword_only() -> None:
    with pytest.raises(TypeError):
        BlockoutError("what", "measured")  # type: ignore[misc]
