"""Shared by all tests: this folder on the import path, and one profile for random tests."""

from __future__ import annotations

import sys
from pathlib import Path

from hypothesis import HealthCheck, settings

for folder in (Path(__file__).parent, Path(__file__).parent / "judges"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

settings.register_profile(
    "plain", deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("plain")
