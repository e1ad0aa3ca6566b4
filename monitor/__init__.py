"""The monitor of one unit, and the contractor's side of many."""

__version__ = "0.1.0"  # the one place: package, `--version` and release read it
