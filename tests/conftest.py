"""Shared by all tests: this folder on the import path, and one profile for random tests."""

from __future__ import annotations

import sys
from pathlib import Path

from hypothesis import HealthCheck, Phase, settings

for folder in (Path(__file__).parent, Path(__file__).parent / "judges"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

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
