"""Lines of toned text: widths in cells, cutting, and panels that follow their size."""

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len
from textual.app import App

from buswright.tui.themes import THEMES
from buswright.tui.widgets.toned import Lines, Span, fitted, line, width_of

TEXTS = st.text(alphabet="ab °µΩ漢é▁", max_size=12)


@given(st.lists(TEXTS, max_size=4), st.integers(1, 30), st.booleans())
def test_a_fitted_line_has_exactly_its_width(texts, width, right):
    spans = fitted([Span(text) for text in texts], width, right=right)
    assert sum(cell_len(span.text) for span in spans) == width


def test_what_is_cut_says_so_and_keeps_its_tone():
    spans = fitted([Span("oil "), Span("temperature", "fault")], 8)
    assert "".join(span.text for span in spans) == "oil tem…"
    assert spans[-1] == Span("…", "fault")


def test_padding_stands_on_the_side_away_from_the_edge():
    assert [span.text for span in fitted(line("7.2"), 6, right=True)] == ["   ", "7.2"]
    assert [span.text for span in fitted(line("rpm"), 5)] == ["rpm", "  "]


def test_bare_texts_are_plain():
    assert line("a", Span("b", "good")) == [Span("a", "plain"), Span("b", "good")]
    assert width_of(line("漢", "b")) == 3


class Panel(App):
    def compose(self):
        yield Lines()


def run(steps, size=(30, 6), theme="dusk"):
    async def main():
        app = Panel()
        for each in THEMES:
            app.register_theme(each)
        app.theme = theme
        async with app.run_test(size=size) as pilot:
            return await steps(app.query_one(Lines), pilot)

    return asyncio.run(main())


def test_a_panel_is_made_anew_for_another_size():
    async def steps(panel, pilot):
        panel.show(lambda width, height: [line(f"{width}x{height}")])
        await pilot.pause()
        first = panel.text
        await pilot.resize_terminal(50, 8)
        await pilot.pause()
        return first, panel.text

    assert run(steps) == ("30x6", "50x8")


def test_a_panel_longer_than_its_window_scrolls():
    async def steps(panel, pilot):
        panel.show([line(f"line {number}") for number in range(20)])
        await pilot.pause()
        panel.scroll_to(y=14, animate=False)
        await pilot.pause()
        return panel.render_line(0).text.strip()

    assert run(steps) == "line 14"


@pytest.mark.parametrize("theme", [each.name for each in THEMES])
def test_every_tone_has_a_look_in_every_theme(theme):
    async def steps(panel, pilot):
        return {tone: panel.style_of(tone) for tone in ("plain", "dim", "good", "note", "suspect", "fault", "accent")}

    styles = run(steps, theme=theme)
    judged = [styles[tone].color for tone in ("good", "suspect", "fault")]
    assert len(set(judged)) == 3
    assert styles["fault"].bold
