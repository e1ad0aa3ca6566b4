"""Moments as the templates of the pages call them; what they mean is in monitor/moments.py."""

from monitor.moments import ago, iso
from monitor.moments import moment as when

__all__ = ["ago", "iso", "when"]
