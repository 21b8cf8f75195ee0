"""Many cases by a scheduler: a real one, with real workers, started here."""

import importlib.util
import os
import sys
from pathlib import Path

import light_builds
import pytest
from test_many import begun, case_in, day, held, outcomes, processes

from blockout.errors import InputError
from blockout.job.many import LEDGER, OUTCOMES_CSV, OUTCOMES_JSON, build_many

__all__ = ["day"]

HAS_DISTRIBUTED = importlib.util.find_spec("distributed") is not None
needs_distributed = pytest.mark.skipif(
    not HAS_DISTRIBUTED, reason="distributed, of the extra dask, is not installed"
)


def test_without_the_library_it_is_said_plainly(day, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match=r"not installed.*blockout\[dask\]") as refused:
        build_many([case_in(day, "a")], out=tmp_path / "out", scheduler="tcp://127.0.0.1:1")
    assert refused.value.exit_code == 2


@needs_distributed
@pytest.mark.filterwarnings("ignore")  # of the library, not ours
def test_a_real_scheduler_and_workers(day, tmp_path, monkeypatch):
    import distributed

    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent), prepend=os.pathsep)
    out = tmp_path / "out"
    names = [f"c{k}" for k in range(8)]
    files = [case_in(day, name, tilt_deg=float(k)) for k, name in enumerate(names)]
    files[1].write_text("[")
    (day / "c2.kill").touch()
    (day / "c3.check").touch()
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        workers = {worker["name"] for worker in cluster.scheduler_info["workers"].values()}
        numbers = {nanny.pid for nanny in cluster.workers.values()}
        many = build_many(
            files, out=out, scheduler=cluster.scheduler_address, build=light_builds.light
        )
        expected = dict.fromkeys(names, "built")
        expected |= {"c1": "refused", "c2": "failed", "c3": "failed"}
        assert outcomes(many) == expected
        assert "killed by SIGKILL" in many.rows[2].message
        assert many.rows[3].message == "the volumes differ; 2 mm3, at most 1 mm3."
        assert many.rows[7].model_volume_mm3 == 7.0
        # no worker was lost with the killed case, and none was left out of memory's bound
        assert len(workers) == 2
        assert {nanny.pid for nanny in cluster.workers.values()} == numbers
        assert not numbers & set(processes(day))
        (day / "c2.kill").unlink()
        again = build_many(
            files, out=out, scheduler=cluster.scheduler_address, build=light_builds.light
        )
    assert outcomes(again) == dict.fromkeys(names, "skipped") | {
        "c1": "refused", "c2": "built", "c3": "failed",
    }  # fmt: skip
    once = dict.fromkeys(set(names) - {"c1"}, 1)
    assert begun(day) == once | {"c2": 2, "c3": 2}
    assert held(out) == set(names) - {"c1", "c3"} | {OUTCOMES_CSV, OUTCOMES_JSON, LEDGER}


@needs_distributed
@pytest.mark.filterwarnings("ignore")
def test_no_scheduler_at_the_address(day, tmp_path, monkeypatch):
    monkeypatch.setattr("blockout.job.many._ANSWER_WITHIN_S", 0.5)
    for address in ("tcp://127.0.0.1:9", "nonsense://x"):
        with pytest.raises(InputError, match="no scheduler answers"):
            build_many([case_in(day, "a")], out=tmp_path / "out", scheduler=address)
