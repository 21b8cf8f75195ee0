"""Case files made up from the schema, changed and spoiled: the first few of each, always the same.

The same as ``fuzz_cases.py`` does for longer.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest
from fuzz_cases import WAYS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

MAY_COME = {
    "good": {"read"},
    "change": {"changed", "refused change", "declined"},
    "bytes": {"read", "refused"},
    "command": {"inspect refused", "build refused"},
}
MUST_COME = {"good": "read", "change": "changed", "bytes": "read", "command": "build refused"}


@pytest.mark.parametrize("way", WAYS)
def test_case_files_made_up(tmp_path: Path, way: str) -> None:
    """The judging is in ``judged_cases``."""
    came: Counter[str] = Counter()

    @settings(max_examples=20 if way == "command" else 40, suppress_health_check=list(HealthCheck))
    @given(data=st.data())
    def one(data: st.DataObject) -> None:
        came[WAYS[way](data, tmp_path)] += 1

    one()
    assert came.keys() <= MAY_COME[way], came
    assert came[MUST_COME[way]] > 0, came
