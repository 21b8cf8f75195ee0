"""What a run makes once is made once, whoever asks, and cannot be written to."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import numpy as np
import pytest
from real_arches import MadeOnce

from blockout.mesh import Mesh


def _tetrahedron() -> Mesh:
    return Mesh(np.vstack([np.zeros(3), np.eye(3)]), [[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]])


def test_it_is_made_once_for_all_processes_and_stays_read_only(tmp_path: Path) -> None:
    made: list[int] = []

    def make() -> Mesh:
        made.append(1)
        time.sleep(0.2)
        return _tetrahedron()

    # each MadeOnce stands for a process: they share nothing but the folder
    found: list[Mesh] = []
    askers = [
        threading.Thread(target=lambda: found.append(MadeOnce(tmp_path)("a", make)))
        for _ in range(3)
    ]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join(timeout=20.0)
    assert made == [1]
    assert len(found) == 3
    for mesh in found:
        assert mesh.volume_mm3 == pytest.approx(1.0 / 6.0)
        assert not mesh.vertices.flags.writeable
        assert not mesh.faces.flags.writeable


def test_a_failure_is_not_kept(tmp_path: Path) -> None:
    once = MadeOnce(tmp_path)
    with pytest.raises(ZeroDivisionError):
        once("a", lambda: 1 // 0)
    assert list(tmp_path.iterdir()) == []
    assert once("a", lambda: 7) == 7
    assert MadeOnce(tmp_path)("a", lambda: 8) == 7
