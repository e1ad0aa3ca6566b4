"""The contactor: armature with pull-in and drop-out, contacts with bounce, one or two poles.

The armature moves when the coil's voltage has been enough (or too little) for its travel time; where it is when the
voltage turns half way, it returns. States of the armature:

    OUT       at rest, contacts open
    CLOSING   on its way in; `due_s` left
    IN        sealed, contacts closed
    OPENING   on its way out; `due_s` left
"""

from __future__ import annotations

from enum import Enum
from math import inf

from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.designs import Design


class Armature(Enum):
    OUT = "out"
    CLOSING = "closing"
    IN = "in"
    OPENING = "opening"


class Contactor:
    """One contactor; `closings` counts, `bounce_s` is what is left of the bouncing after the last closing."""

    __slots__ = ("bounce_s", "closings", "condition", "design", "due_s", "state")

    def __init__(self, design: Design, condition: Condition) -> None:
        self.design, self.condition = design, condition
        self.state = Armature.OUT
        self.due_s = inf
        self.bounce_s = 0.0
        self.closings = 0

    @property
    def armature_in(self) -> bool:
        """The magnetic path is closed: the coil has its sealed impedance."""
        return self.state is Armature.IN or self.state is Armature.OPENING

    @property
    def contacts_closed(self) -> bool:
        """Line voltage passes to the load side, line to line. Welded contacts stay; dirty ones touch without
        passing."""
        if self.condition.contacts_welded:
            return True
        return self.armature_in and not self.condition.contacts_dirty

    @property
    def bouncing(self) -> bool:
        """The contacts have touched and are apart again: the first half of the bouncing."""
        return self.bounce_s > 0.5 * self.design.bounce_s

    def update(self, coil_v: float) -> bool:
        """The coil's voltage as it is now; True when a movement has begun or been given up."""
        wanted = self._wanted(0.0 if self.condition.coil_open else coil_v)
        if wanted is self.state:
            return False
        self.due_s = inf
        if wanted is Armature.CLOSING:
            self.due_s = self.design.pull_in_s
        elif wanted is Armature.OPENING:
            self.due_s = self.design.drop_out_s
        self.state = wanted
        return True

    def _wanted(self, coil_v: float) -> Armature:
        condition = self.condition
        if self.state in (Armature.OUT, Armature.CLOSING):
            if condition.contacts_welded:
                return Armature.IN  # the welded bridge holds the armature close to its seat
            strong = coil_v >= self.design.pull_in_v / (1.0 - 0.8 * condition.coil_shorted)
            if condition.armature_blocked or not strong:
                return Armature.OUT
            return Armature.CLOSING
        # What blocks the armature's way in does not push out one that is seated.
        held = coil_v >= self.design.drop_out_v or condition.armature_sticks or condition.contacts_welded
        return Armature.IN if held else Armature.OPENING

    def move(self, dt: float) -> bool:
        """Let time pass; True when the armature has arrived, in or out."""
        self.bounce_s = max(0.0, self.bounce_s - dt)
        if self.due_s == inf:
            return False
        self.due_s -= dt
        if self.due_s > 1e-9:
            return False
        self.due_s = inf
        if self.state is Armature.CLOSING:
            self.state, self.bounce_s = Armature.IN, self.design.bounce_s
            self.closings += 1
        else:
            self.state = Armature.OUT
        return True
