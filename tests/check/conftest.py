"""Arms and teeth made up for tests lie in other folders of the tests."""

from __future__ import annotations

import sys
from pathlib import Path

for folder in ("arms", "teeth"):
    path = str(Path(__file__).parents[1] / folder)
    if path not in sys.path:
        sys.path.append(path)
