"""The browser of the view's tests drives the whole page too."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "view"))
