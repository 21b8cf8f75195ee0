"""Shared by all tests: this folder on the import path, one profile for random tests, and what is
made once in a run.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.internal.conjecture import providers

for folder in (Path(__file__).parent, Path(__file__).parent / "judges"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

# what tests build is no record of anybody's work
os.environ["BLOCKOUT_LOG"] = "off"

# the same examples each time; shrinking a body takes minutes: only with the profile "shrink"
_QUICK = [Phase.explicit, Phase.reuse, Phase.generate]
settings.register_profile(
    "plain",
    deadline=None,
    derandomize=True,
    phases=_QUICK,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("shrink", settings.get_profile("plain"), phases=list(Phase))
settings.load_profile("plain")
if hasattr(providers, "_get_local_constants"):
    # numbers from the code at hand are not drawn from: examples would change with any number in
    # it, and with which modules a run happens to load
    providers._get_local_constants = lambda: providers._local_constants


@pytest.fixture(scope="session")
def made_once(tmp_path_factory):
    """Results that all processes of this run share."""
    from real_arches import MadeOnce

    folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    folder = folder / "made_once"
    folder.mkdir(exist_ok=True)
    return MadeOnce(folder)


@pytest.fixture(scope="session")
def real_arch(made_once):
    """The prepared cast of ``lower`` or ``upper``, once in a run."""
    from real_arches import prepared

    return lambda arch: made_once(f"prepared {arch}", lambda: prepared(arch))
