"""The lasting seconds: monotonic in a process, bridged over a restart by the wall clock where it is known."""

from __future__ import annotations

from condenser_monitor.monitor.core.load_state import MonotonicTime, Saved

WALL = 1_783_000_000.0


def test_within_a_process_the_wall_clock_moves_nothing() -> None:
    """Jumps of a year either way leave `x` at the process's own seconds."""
    line = MonotonicTime()
    for t_s, wall_s in ((0.0, None), (10.0, WALL), (20.0, WALL + 3e7), (30.0, WALL - 3e7)):
        assert line.advance(t_s, wall_s) == 0.0
        assert line.now_x == t_s
    assert line.wall_s(30.0) == WALL - 3e7


def test_a_restart_goes_on_where_it_was_saved_and_adds_the_time_switched_off() -> None:
    """Saved at 100 s; started again an hour later, the wall clock known 20 s into it."""
    old = MonotonicTime()
    old.advance(100.0, WALL)
    line = MonotonicTime(old.save())
    assert line.advance(0.0, None) == 0.0
    assert line.now_x == 100.0
    assert line.advance(20.0, WALL + 3600 + 20) == 3600.0
    assert line.now_x == 3720.0
    assert line.x(20.0) == 3720.0
    assert line.t_s(100.0) == -3600.0


def test_a_wall_clock_set_back_over_a_restart_takes_nothing_away() -> None:
    """`x` never runs backwards."""
    line = MonotonicTime(Saved(x_s=100.0, wall_s=WALL))
    assert line.advance(5.0, WALL - 86400) == 0.0
    assert line.now_x == 100.0


def test_a_process_whose_seconds_do_not_begin_at_0_is_no_trouble() -> None:
    """The first time heard is the moment `x` goes on from."""
    line = MonotonicTime(Saved(x_s=100.0, wall_s=None))
    line.advance(5000.0, None)
    line.advance(5010.0, None)
    assert line.now_x == 110.0


def test_the_wall_clock_of_an_earlier_process_is_carried_over_one_that_never_had_it() -> None:
    """Known, then a process without network, then known again: the time off in both pauses is found."""
    first = MonotonicTime()
    first.advance(0.0, WALL)
    second = MonotonicTime(first.save())
    second.advance(0.0, None)
    second.advance(50.0, None)
    third = MonotonicTime(second.save())
    third.advance(0.0, WALL + 1000.0)
    assert third.now_x == 1000.0


def test_without_any_wall_clock_the_time_switched_off_is_not_counted() -> None:
    """There is nothing to count it by."""
    line = MonotonicTime(Saved(x_s=100.0, wall_s=None))
    line.advance(0.0, WALL)
    assert line.now_x == 100.0
