"""The most memory that this process has held."""

from __future__ import annotations

import resource
from pathlib import Path


def peak_mb() -> float:
    """Of this process alone, MB: what the system tells as ``ru_maxrss`` is at least that of the
    process that started it.
    """
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    lines = status.read_text(encoding="utf-8").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 1024.0
