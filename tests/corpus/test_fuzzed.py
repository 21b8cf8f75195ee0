"""Any bytes for any reader and for the case file: a mesh fit for work or a refusal in words.

The same as ``fuzz_readers.py`` does with guidance and for longer, here with hypothesis.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from fuzz_readers import seeds, target
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

SEEDS = seeds()
RELAXED = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@pytest.mark.parametrize("kind", sorted(SEEDS))
def test_the_seeds_are_read(tmp_path: Path, kind: str) -> None:
    read = target(kind, tmp_path)
    assert {read(data) for data in SEEDS[kind]} == {"read"}


@pytest.mark.parametrize("kind", sorted(SEEDS))
@RELAXED
@given(data=st.data())
def test_changed_files_are_read_or_refused(tmp_path: Path, kind: str, data: st.DataObject) -> None:
    changed = bytearray(data.draw(st.sampled_from(SEEDS[kind])))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(changed)))
        cut = data.draw(st.sampled_from([0, 1, 2, 4, 50]))
        put = data.draw(
            st.one_of(
                st.binary(max_size=6),
                st.sampled_from([b"\n", b"-1", b"nan", b"1e309", b"\0\0", b"\xff\xff", b"_", b'"']),
                st.just(bytes(changed[at : at + 60])),
            )
        )
        changed[at : at + cut] = put
    assert target(kind, tmp_path)(bytes(changed)) in ("read", "refused")


@RELAXED
@given(text=st.text(max_size=300))
def test_any_text_is_no_case_or_a_case(tmp_path: Path, text: str) -> None:
    read = target("case", tmp_path)
    assert read(text.encode("utf-8", "surrogatepass")) == "refused"
    assert (
        read(b'schema = "blockout-case/1"\n' + text.encode("utf-8", "surrogatepass")) == "refused"
    )
