"""The judgement tests share the invented runs of the criteria tests."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent / "criteria"))
