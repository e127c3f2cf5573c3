"""How often something costly may run."""

import pytest

from buswright.worker.shelf import Pace

from .replayed import Clock


@pytest.mark.parametrize(("takes_s", "pause_s"), [(0.0, 0.5), (0.04, 0.5), (0.2, 2.0), (3.0, 30.0)])
def test_it_runs_at_most_twice_a_second_and_for_no_more_than_a_tenth_of_the_time(takes_s, pause_s):
    clock = Clock()
    pace = Pace(0.5, 10, clock)
    assert pace.due
    with pace.run():
        clock.move(takes_s)
    clock.move(pause_s - takes_s - 0.001)
    assert not pace.due
    clock.move(0.001)
    assert pace.due


def test_what_raises_has_run_too():
    clock = Clock()
    pace = Pace(0.5, 10, clock)
    with pytest.raises(ZeroDivisionError), pace.run():
        _ = 1 / 0
    assert not pace.due
