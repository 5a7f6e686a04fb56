"""Lets the tests of this folder import the renderer beside them, and keeps to one core."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
