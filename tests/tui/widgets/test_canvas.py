import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buswright.report.plot import braille_codes
from buswright.tui.widgets.canvas import SPACE, Area, Sheet, dot_rows, dots_of, envelope

EDGES = np.arange(0, 101, 10, dtype=np.int64)


def reference(time_ns, value, edges, segments, gap_ns, steps):
    """The same range, found sample by sample and pair by pair."""
    columns = len(edges) - 1
    seen = [[] for _ in range(columns)]
    for at, each in zip(time_ns, value, strict=True):
        for column in range(columns):
            if edges[column] <= at < edges[column + 1] and not np.isnan(each):
                seen[column].append(each)
    starts = set(segments)
    for row in range(len(time_ns)):
        last = row + 1 == len(time_ns) or row + 1 in starts
        left, right = value[row], (np.nan if last else value[row + 1])
        until = float("inf") if last else time_ns[row + 1]
        for number, edge in enumerate(edges):
            if not time_ns[row] < edge <= until:
                continue
            if steps:
                here = left if edge - time_ns[row] <= gap_ns else np.nan
            elif last or until - time_ns[row] > gap_ns:
                here = np.nan
            else:
                here = left + (edge - time_ns[row]) / (until - time_ns[row]) * (right - left)
            if not np.isnan(here):
                for column in (number - 1, number):
                    if 0 <= column < columns:
                        seen[column].append(here)
    low = [min(each) if each else np.nan for each in seen]
    high = [max(each) if each else np.nan for each in seen]
    return np.array(low), np.array(high)


@st.composite
def samples(draw):
    parts = draw(st.lists(st.lists(st.integers(-40, 140), max_size=12).map(sorted), min_size=1, max_size=3))
    time_ns = np.array([each for part in parts for each in part], dtype=np.int64)
    starts = np.cumsum([0, *(len(part) for part in parts[:-1])])
    values = st.one_of(st.integers(-1000, 1000).map(float), st.just(float("nan")))
    value = np.array(draw(st.lists(values, min_size=len(time_ns), max_size=len(time_ns))), dtype=np.float64)
    return time_ns, value, starts.astype(np.int64)


@settings(max_examples=150, deadline=None)
@given(samples(), st.sampled_from([5.0, 15.0, float("inf")]), st.booleans())
def test_an_envelope_is_what_a_walk_from_sample_to_sample_finds(made, gap_ns, steps):
    time_ns, value, starts = made
    found = envelope(time_ns, value, EDGES, segments=starts, gap_ns=gap_ns, steps=steps)
    low, high = reference(time_ns.tolist(), value.tolist(), EDGES.tolist(), starts.tolist(), gap_ns, steps)
    np.testing.assert_allclose(found.low, low, rtol=1e-12, atol=1e-9)
    np.testing.assert_allclose(found.high, high, rtol=1e-12, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e300, 1e300), min_size=1, max_size=200),
    st.integers(1, 40),
)
def test_extremes_are_kept_to_the_last_bit(values, columns):
    value = np.array(values)
    time_ns = np.arange(len(value), dtype=np.int64) * 7
    edges = np.linspace(0, 7 * len(value), columns + 1).astype(np.int64)
    found = envelope(time_ns, value, edges)
    assert np.nanmin(found.low) == value.min()
    assert np.nanmax(found.high) == value.max()


@pytest.mark.parametrize("columns", [120, 380])
@pytest.mark.parametrize("at", [0, 31_337, 59_999])
def test_a_spike_of_one_sample_in_a_minute_is_seen_at_its_full_height(columns, at):
    value = np.zeros(60_000)
    value[at] = 1.0
    time_ns = np.arange(60_000, dtype=np.int64) * 1_000_000
    edges = np.linspace(0, 60_000_000_000, columns + 1).astype(np.int64)
    dots = dots_of(envelope(time_ns, value, edges), 0.0, 1.0, 40)
    assert dots[0].any(), "the topmost dot"
    tall = np.flatnonzero(dots.sum(axis=0) == 40)
    assert at * columns // 60_000 in tall


def test_only_samples_when_they_are_not_joined():
    time_ns, value = np.array([5, 95], dtype=np.int64), np.array([1.0, 2.0])
    found = envelope(time_ns, value, EDGES, joined=False)
    assert np.flatnonzero(~np.isnan(found.low)).tolist() == [0, 9]


def test_nothing_of_no_samples():
    found = envelope(np.zeros(0, dtype=np.int64), np.zeros(0), EDGES)
    assert np.isnan(found.low).all()


def test_dots_beyond_the_scale_lie_at_its_edge_and_nan_nowhere():
    rows = dot_rows(np.array([-5.0, 0.0, 0.5, 1.0, 9.0, np.nan, np.inf]), 0.0, 1.0, 5)
    assert rows.tolist() == [0, 0, 2, 4, 4, -1, 4]


def test_braille_bits_are_those_of_the_unicode_chart():
    """Unicode chart U+2800: dots 1, 2, 3, 7 down the left and 4, 5, 6, 8 down the right; dot n is bit n - 1."""
    for row, column, dot in ((0, 0, 1), (1, 0, 2), (2, 0, 3), (3, 0, 7), (0, 1, 4), (1, 1, 5), (2, 1, 6), (3, 1, 8)):
        grid = np.zeros((8, 4), dtype=np.bool_)
        grid[4 + row, 2 + column] = True
        codes = braille_codes(grid)
        assert codes.tolist() == [[SPACE, SPACE], [SPACE, 0x2800 + (1 << (dot - 1))]]


def cells(*rows):
    grid = np.zeros((4, 2 * len(rows)), dtype=np.bool_)
    for column, row in enumerate(rows):
        if row is not None:
            grid[row, 2 * column] = True
    return braille_codes(grid)


def test_curves_in_one_cell_are_joined_and_the_last_one_gives_the_tone():
    sheet = Sheet(3, 1)
    sheet.dots(Area(0, 0, 2, 1), cells(0, 0), "curve1")
    sheet.dots(Area(1, 0, 2, 1), cells(1, 1), "curve2")
    assert [(span.text, span.tone) for span in sheet.lines()[0]] == [("⠁", "curve1"), ("⠃⠂", "curve2")]


def test_text_is_cut_at_the_edges_and_filled_in_only_where_free():
    sheet = Sheet(5, 2)
    sheet.text(3, 0, "abc", "note")
    sheet.text(-1, 1, "xy")
    sheet.text(0, 7, "nowhere")
    sheet.fill(Area(0, 0, 5, 2), "│", "dim")
    assert ["".join(span.text for span in spans) for spans in sheet.lines()] == ["│││ab", "y││││"]
    assert not sheet.free(0, 0, 1)
    assert not Sheet(5, 1).free(3, 0, 3)
    assert Sheet(5, 1).free(2, 0, 3)


@pytest.mark.parametrize(("width", "height"), [(1, 1), (80, 24), (200, 60)])
def test_lines_are_as_wide_as_the_sheet(width, height):
    sheet = Sheet(width, height)
    sheet.dots(Area(0, 0, width, 1), cells(*([0] * width)), "curve3")
    lines = sheet.lines()
    assert len(lines) == height
    assert {sum(len(span.text) for span in spans) for spans in lines} == {width}
