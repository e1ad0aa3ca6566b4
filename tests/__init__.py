"""The tests, a mirror of the tree."""

import os
from pathlib import Path

ROOT = Path(__file__).parents[1]
SOURCES = os.pathsep.join((str(ROOT / ".src"), str(ROOT)))  # PYTHONPATH of a process that a test starts
