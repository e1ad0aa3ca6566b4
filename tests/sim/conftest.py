"""The simulator's own fixtures, as anybody would use them."""

from sim.fixtures import *  # noqa: F403
