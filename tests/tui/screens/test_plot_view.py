import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buswright.tui.screens.plot.view import SHORTEST_NS, Extent, View, scale_for, time_ticks
from buswright.tui.times import moment_text

from ..made import snapshot_of

S = 1_000_000_000
HELD = Extent(1000 * S, 1120 * S)


def test_a_view_shows_the_newest_minute_and_follows_it():
    assert View().edges(HELD) == (1060 * S, 1120 * S)
    assert View().edges(Extent(1000 * S, 1130 * S)) == (1070 * S, 1130 * S)


def test_less_is_held_than_a_minute():
    assert View().edges(Extent(1000 * S, 1010 * S)) == (1000 * S, 1010 * S)


def test_zoom_keeps_the_moment_of_the_cursor_in_its_place():
    start, stop = View().zoomed(0.5, 1075 * S, HELD).edges(HELD)
    assert stop - start == 30 * S
    assert (1075 * S - start) / 30e9 == pytest.approx(0.25)


def test_zoom_without_cursor_keeps_following_and_ends_somewhere():
    view = View()
    for _ in range(40):
        view = view.zoomed(0.5, None, HELD)
    assert view.stop_ns is None
    assert view.span_ns == SHORTEST_NS
    for _ in range(40):
        view = view.zoomed(2.0, None, HELD)
    assert view.edges(HELD) == (1000 * S, 1120 * S)


def test_a_view_that_was_moved_stands_still_until_it_touches_the_newest_again():
    view = View().moved(-0.5, HELD)
    later = Extent(1010 * S, 1130 * S)
    assert view.edges(HELD) == view.edges(later) == (1030 * S, 1090 * S)
    assert view.moved(0.9, later).stop_ns is None
    assert view.moved(-9, HELD).edges(HELD) == (1000 * S, 1060 * S)


def test_a_view_moves_to_show_a_moment():
    assert View().showing(1100 * S, HELD) == View()
    start, stop = View(10 * S).showing(1020 * S, HELD).edges(HELD)
    assert start < 1020 * S < stop
    assert stop - start == 10 * S


@given(
    st.floats(0.1, 8.0),
    st.one_of(st.none(), st.integers(990 * S, 1130 * S)),
    st.floats(-3, 3),
    st.integers(1000 * S, 1120 * S),
)
def test_a_view_never_leaves_what_is_held(factor, about, part, moment):
    view = View().zoomed(factor, about, HELD).moved(part, HELD).showing(moment, HELD)
    start, stop = view.edges(HELD)
    assert 1000 * S <= start <= moment <= stop <= 1120 * S
    assert stop - start >= SHORTEST_NS


@given(st.floats(-1e6, 1e6), st.floats(0, 1e6), st.integers(2, 12))
def test_a_scale_holds_its_values_on_round_labels(low, span, labels):
    scale = scale_for(low, low + span, labels)
    slack = 1e-6 * scale.step
    assert scale.bottom - slack <= low
    assert low + span <= scale.top + slack
    mantissa = scale.step / 10 ** math.floor(math.log10(scale.step) + 1e-9)
    assert min(abs(mantissa - each) for each in (1, 2, 5, 10)) < 1e-6
    assert 2 <= len(scale.ticks) <= labels + 2
    assert len({scale.label(each) for each in scale.ticks}) == len(scale.ticks)


def test_a_scale_of_nothing_or_of_one_value():
    assert scale_for(math.nan, math.nan).ticks == [0.0, 1.0]
    scale = scale_for(5.0, 5.0)
    assert scale.bottom < 5.0 < scale.top
    assert scale_for(0.0, 0.0).bottom < 0 < scale_for(0.0, 0.0).top
    assert "-0" not in [scale_for(-1.0, 1.0).label(-1e-17)]


@pytest.mark.parametrize("span_ns", [SHORTEST_NS, 10_000_000, S, 7 * S, 60 * S, 120 * S])
def test_time_is_labelled_on_round_moments_that_differ(span_ns):
    start = 1_700_000_000 * S + 123_456_789
    ticks = time_ticks(start, start + span_ns, 6, 0)
    assert 2 <= len(ticks.moments) <= 7
    assert all(start <= each <= start + span_ns for each in ticks.moments)
    source = snapshot_of().source
    texts = [moment_text(each, source, ticks.decimals) for each in ticks.moments]
    assert len(set(texts)) == len(texts)
