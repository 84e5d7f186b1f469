"""Puts tests/twin/ on the path, for its client of a twin without a line."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "twin"))
