"""What the table shows while the path is tilted: the last tilt stays, and places are looked at from
where they are seen.
"""

import asyncio
import time
from contextlib import nullcontext
from types import SimpleNamespace

import numpy as np
import pytest
from view_browser import ball, turned_frame

from blockout.cast.record import write_cast
from blockout.web.pages.bench import Bench
from blockout.web.showing import Showing
from blockout.web.sitting import open_sitting


def from_ball(point_mm):
    """File coordinates of a place in the ball's own frame."""
    return turned_frame().points_to_file(np.array(point_mm, dtype=np.float64))


@pytest.fixture
def showing(tmp_path):
    write_cast(tmp_path / "ball.ply", ball())
    return Showing(open_sitting(tmp_path / "ball.ply"))


@pytest.fixture
def bench(showing, monkeypatch):
    from blockout.web.pages import bench as module

    page = SimpleNamespace(context=SimpleNamespace(client=nullcontext()))
    monkeypatch.setattr(module, "ui", page)
    made = Bench(showing.sitting, showing)
    monkeypatch.setattr(made, "soon", lambda: None)
    return made


def test_the_last_of_two_tilts_stays_though_the_first_is_read_for_longer(bench, monkeypatch):
    """A slow reading that was begun earlier must not put its own tilt back when it ends."""
    read, waits_s = bench.showing.look, iter((0.6, 0.05))

    def slow():
        time.sleep(next(waits_s, 0.0))
        return read()

    monkeypatch.setattr(bench.showing, "look", slow)

    async def both():
        await asyncio.gather(bench.tilted(4.0, -2.0), bench.tilted(4.0, 2.0))

    asyncio.run(both())
    path = bench.sitting.case.path
    assert (path.anterior_tilt_deg, path.lateral_tilt_deg) == (4.0, 2.0)
    assert read().path.lateral_tilt_deg == pytest.approx(2.0)


def test_a_place_is_seen_from_outside_and_from_above_it_where_it_lies_flat(showing):
    """Closed form on a ball: out from its axis, raised by atan(1/4); its top along the path."""
    up = showing.path().direction
    for turn in np.radians([0.0, 77.0, 200.0]):
        out = np.array([np.cos(turn), np.sin(turn), 0.0])
        side = from_ball(out * 5.0 + [0.0, 0.0, 4.5])
        seen = showing.seen_from(side)
        level = seen - (seen @ up) * up
        assert seen @ up == pytest.approx(np.sin(np.arctan(0.25)), abs=1e-9)
        away = from_ball(out * 6.0 + [0.0, 0.0, 4.5]) - side
        assert level @ away / np.linalg.norm(level) == pytest.approx(1.0, abs=0.01)
    assert showing.seen_from(from_ball([0.0, 0.0, 9.5])) == pytest.approx(up)
