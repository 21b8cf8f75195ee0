"""Names of uploaded files: none leads out of the folder, none takes another's place."""

import asyncio
import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from blockout.errors import InputError
from blockout.web.uploads import SUFFIXES, free_name, harmless_name, kept_upload


@given(st.text(max_size=300), st.sampled_from(SUFFIXES))
def test_any_name_becomes_a_harmless_one(stem, suffix):
    name = harmless_name(stem + suffix.upper())
    assert set(name) <= set(string.ascii_letters + string.digits + "-_.")
    assert name.count(".") == 1
    assert name.endswith(suffix)
    assert 5 <= len(name) <= 90


@pytest.mark.parametrize("name", ["scan", "scan.exe", "case.toml", ".stl/x", "", "a.stl.zip"])
def test_what_is_no_mesh_is_refused(name):
    with pytest.raises(InputError, match="not a mesh file"):
        harmless_name(name)


class Coming:
    """An upload, or one that breaks off."""

    def __init__(self, name, content):
        self.name, self.content = name, content

    async def save(self, path):
        path.write_bytes(self.content or b"half")
        if self.content is None:
            raise OSError("gone")


def test_uploads_are_kept_whole_beside_each_other(tmp_path):
    for content in (b"one", b"two"):
        kept = asyncio.run(kept_upload(tmp_path, Coming("../../a scan.stl", content)))
        assert kept.parent == tmp_path
        assert kept.read_bytes() == content
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a_scan-2.stl", "a_scan.stl"]
    with pytest.raises((OSError, InputError)):
        asyncio.run(kept_upload(tmp_path, Coming("b.stl", None)))
    assert len(list(tmp_path.iterdir())) == 2
    assert free_name(tmp_path, "a_scan.stl").name == "a_scan-3.stl"
