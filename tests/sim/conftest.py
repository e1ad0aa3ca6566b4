"""The simulator's own fixtures, as anybody would use them."""

from condenser_monitor.sim.fixtures import *  # noqa: F403
