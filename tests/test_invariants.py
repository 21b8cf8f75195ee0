"""The judges of the invariants, on boxes of known volume."""

from __future__ import annotations

import invariants
import pytest
from bodies import box
from exact_booleans import exact

ONE, OTHER = box((0.0, 0.0, 0.0), (2.0, 2.0, 2.0)), box((1.0, 1.0, 1.0), (3.0, 3.0, 4.0))


@pytest.fixture(params=["kernel", "exact"])
def judge(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """As if the kernel had taken each mesh as it is, or had bent it."""
    if request.param == "exact" and exact is None:
        pytest.skip("libigl was built without its exact booleans")
    monkeypatch.setattr(invariants, "took_whole", lambda *_: request.param == "kernel")


@pytest.mark.usefixtures("judge")
def test_volumes_by_either_judge() -> None:
    """Closed form: they share a cube of 1 mm."""
    assert invariants.volume_of_mm3("intersect", ONE, OTHER) == pytest.approx(1.0, rel=1e-12)
    assert invariants.volume_of_mm3("minus", ONE, OTHER) == pytest.approx(7.0, rel=1e-12)
    assert invariants.joined_mm3([ONE, OTHER]) == pytest.approx(19.0, rel=1e-12)
    with pytest.raises(AssertionError, match="1 mm3 shared"):
        invariants.assert_apart(ONE, OTHER, slack_mm3=0.999)
    with pytest.raises(AssertionError, match="7 mm3 outside"):
        invariants.assert_contains(OTHER, ONE, slack_mm3=6.999)
    invariants.assert_contains(ONE, box((0.5, 0.5, 0.5), (1.0, 2.0, 2.0)), slack_mm3=1e-12)
