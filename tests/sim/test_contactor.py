"""The contactor: pull-in, drop-out, bounce, and what holds its contacts."""

from typing import Any

import pytest

from condenser_monitor.sim.condition import Condition
from condenser_monitor.sim.contactor import Armature, Contactor
from condenser_monitor.sim.designs import DESIGNS

DESIGN = DESIGNS["three-ton"]


def settled(contactor: Contactor, volts: float) -> Contactor:
    """Hold a coil voltage for a tenth of a second, in milliseconds."""
    for _ in range(100):
        contactor.update(volts)
        contactor.move(0.001)
    return contactor


@pytest.mark.parametrize(("volts", "closed"), [(24.0, True), (20.4, True), (17.4, False), (0.0, False)])
def test_pulls_in_from_its_pull_in_voltage(volts: Any, closed: Any) -> None:
    """It must close at 85 % of 24 V (component sheet), and does not close far below."""
    assert settled(Contactor(DESIGN, Condition()), volts).contacts_closed is closed


@pytest.mark.parametrize(("volts", "closed"), [(18.1, True), (10.1, True), (9.9, False), (4.8, False)])
def test_lets_go_below_its_drop_out_voltage(volts: Any, closed: Any) -> None:
    """Between pull-in and drop-out it stays as it is; it must be open by 20 % of 24 V (IEC 60947-4-1, from memory)."""
    contactor = settled(Contactor(DESIGN, Condition()), 24.0)
    assert settled(contactor, volts).contacts_closed is closed


def test_takes_its_time_both_ways() -> None:
    """10 to 30 ms in, 5 to 25 ms out (typical); a dip shorter than that is not felt."""
    contactor = Contactor(DESIGN, Condition())
    contactor.update(24.0)
    assert not contactor.move(0.009)
    assert contactor.move(0.020)
    assert contactor.bouncing
    contactor.move(0.6 * DESIGN.bounce_s)
    assert not contactor.bouncing
    assert contactor.bounce_s > 0
    contactor.update(0.0)
    assert not contactor.move(0.004)
    contactor.update(24.0)
    assert contactor.state is Armature.IN
    contactor.move(1.0)
    assert contactor.contacts_closed


@pytest.mark.parametrize(
    ("fault", "called", "after"),
    [
        ("armature_blocked", False, False),
        ("contacts_dirty", False, False),
        ("armature_sticks", True, True),
        ("contacts_welded", True, True),
    ],
)
def test_faults_hold_the_contacts(fault: Any, called: Any, after: Any) -> None:
    """What each fault makes of the contacts under a call and after it."""
    condition = Condition()
    setattr(condition, fault, True)
    contactor = settled(Contactor(DESIGN, condition), 24.0)
    assert contactor.contacts_closed is called
    assert settled(contactor, 0.0).contacts_closed is after


def test_blocked_armature_keeps_the_open_magnetic_path() -> None:
    """Armature not seated: the coil keeps its inrush impedance; dirty contacts: it is sealed."""
    assert not settled(Contactor(DESIGN, Condition(armature_blocked=True)), 24.0).armature_in
    assert settled(Contactor(DESIGN, Condition(contacts_dirty=True)), 24.0).armature_in


def test_a_blockage_does_not_push_out_a_seated_armature() -> None:
    """What blocks the way in shows at the next closing only."""
    condition = Condition()
    contactor = settled(Contactor(DESIGN, condition), 24.0)
    condition.armature_blocked = True
    assert settled(contactor, 24.0).contacts_closed
    settled(contactor, 0.0)
    assert not settled(contactor, 24.0).contacts_closed
