"""A quick slice of the corpus; the whole of it: ``python tests/corpus/whole.py --seeds 10``.

Each kind once, in a process of its own with a time limit; one by the program itself.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import bad_bytes  # noqa: F401
import bad_meshes  # noqa: F401
import numpy as np
import pytest
from apart import Apart
from bodies import ball, box, united
from judged import assert_closed, closed_by_pairs, columns, volume_mm3
from specimen import KINDS, specimen

SLOW = {"dense scan", "noise on a fine scan", "coincident shells", "t junctions", "very coarse"}
"""Over two seconds each; the whole corpus has them."""

DOOMED = {"moebius", "few triangles", "huge and tiny", "random bytes"}
SOUND = {"sound body", "sound scan", "every format", "tunnels and handles", "stairs along the path"}


@pytest.fixture(scope="module")
def apart() -> Iterator[Apart]:
    with Apart(limit_s=120.0) as process:
        yield process


@pytest.mark.long
@pytest.mark.parametrize("kind", sorted(set(KINDS) - SLOW))
def test_a_solid_that_holds_or_a_refusal_in_words(apart: Apart, kind: str) -> None:
    """The judging is in ``taken_through``; every fault it found is named here."""
    found = apart.take(kind, 0)
    assert found["failed"] == []
    assert set(found["came"]) == {"inspect", "prepare", "survey", "build"}
    outcomes = {found["came"][command] for command in ("prepare", "survey", "build")}
    if kind in SOUND:
        assert outcomes == {"solid"}, found["said"]
    if kind in DOOMED:
        assert all(outcome.startswith("refused") for outcome in outcomes)


@pytest.mark.parametrize("kind", ["cut off"])
def test_the_program_itself(apart: Apart, kind: str) -> None:
    assert apart.take(kind, 3, by_command=True)["failed"] == []


def test_the_same_seed_makes_the_same_bytes() -> None:
    for kind in KINDS:
        if kind not in SLOW:
            first, again = specimen(kind, 4), specimen(kind, 4)
            assert (first.data, first.suffix) == (again.data, again.suffix)
            assert first.tilt_deg == again.tilt_deg
    some = Counter(specimen(kind, seed).data for kind in ("holes", "noise") for seed in range(3))
    assert max(some.values()) == 1


def test_a_hang_and_a_crash_are_told() -> None:
    with Apart(limit_s=0.01) as process:
        assert "no answer in" in process.take("sound body", 0)["failed"][0]
    with Apart() as process:
        assert "crashed" in process.take("no such kind", 0)["failed"][0]


# --- the judges are judged -----------------------------------------------------------------------


def test_the_judges_know_an_open_and_a_turned_surface() -> None:
    body = box((0, 0, 0), (2, 3, 4))
    faces = np.array(body.faces)
    assert closed_by_pairs(faces)
    assert volume_mm3(np.array(body.vertices), faces) == pytest.approx(24.0)  # closed form
    turned = faces.copy()
    turned[0] = turned[0][::-1]
    for wrong in (faces[1:], turned, np.vstack([faces, faces[:1]])):
        assert not closed_by_pairs(wrong)
        with pytest.raises(AssertionError, match="not closed"):
            assert_closed(np.array(body.vertices)[wrong], "m")
    with pytest.raises(AssertionError, match="inside out"):
        assert_closed(np.array(body.corners)[:, ::-1], "m")


def test_columns_find_the_fill_under_a_ball() -> None:
    """Closed form: down to h = R below the equator the fill is pi R^3 / 3."""
    body = ball(5.0, subdivisions=4)
    whole = np.ones(body.triangle_count, dtype=bool)
    found, error = columns(
        np.array(body.corners), whole, np.array([0.0, 0.0, 1.0]),
        lambda plan, e1, e2: np.full(len(plan), -5.0), count=3600, seed=1,
    )  # fmt: skip
    assert 0.0 < error < 2.0
    assert abs(found - np.pi * 125.0 / 3.0) < 4.0 * error


def test_columns_miss_no_small_undercut_and_count_none_twice() -> None:
    """Shelves 0.1 mm deep, one over another, 4 mm over a wide plate: the upper roofs it all."""
    parts = [
        box((-30.0, -30.0, -5.0), (30.0, 30.0, 0.0)),
        box((-1.0, -1.0, -1.0), (1.0, 1.0, 5.0)),
        box((-1.0, -1.0, 4.0), (1.1, 1.0, 6.0)),
        box((-1.0, -1.0, 2.0), (1.05, 1.0, 3.0)),
    ]
    body = united(parts)
    found, error = columns(
        np.array(body.corners), np.ones(body.triangle_count, dtype=bool), np.array([0.0, 0.0, 1.0]),
        lambda plan, e1, e2: np.full(len(plan), 0.0), count=2000, seed=1,
    )  # fmt: skip
    due = 0.1 * 2.0 * 4.0 - 0.05 * 2.0 * 1.0  # under the upper shelf, less the lower one
    assert 0.0 < error < 0.05 * due
    assert abs(found - due) < 4.0 * error
