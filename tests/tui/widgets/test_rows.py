"""The list: the cursor stays on its row, the order is held under it, only visible rows are made."""

import asyncio

from textual.app import App

from buswright.tui.themes import DUSK
from buswright.tui.widgets.rows import Column, Heading, Rows
from buswright.tui.widgets.toned import Span

COLUMNS = (Column("name", 10, grow=True), Column("value", 8, right=True), Column("unit", 6, rank=1))


class Listed(App):
    def __init__(self):
        super().__init__()
        self.register_theme(DUSK)
        self.theme = "dusk"
        self.heard = []

    def compose(self):
        yield Rows(COLUMNS, empty="no rows: connect something")

    def on_rows_chosen(self, event):
        self.heard.append(("chosen", event.key))

    def on_rows_moved(self, event):
        self.heard.append(("moved", event.key))


def run(steps, size=(40, 8)):
    async def main():
        app = Listed()
        async with app.run_test(size=size) as pilot:
            rows = app.query_one(Rows)
            rows.focus()
            await pilot.pause()
            return await steps(app, rows, pilot)

    return asyncio.run(main())


def cells(key):
    return (str(key), Span("1.5", "good"), "mm")


def lines(rows):
    return [rows.render_line(y).text.rstrip() for y in range(rows.size.height)]


def test_titles_rows_and_the_mark_of_the_cursor():
    async def steps(app, rows, pilot):
        rows.show(["a", "b"], cells)
        await pilot.pause()
        return lines(rows)

    found = run(steps)
    assert found[0].split() == ["name", "value", "unit"]
    assert found[1].split() == ["a", "1.5", "mm", "‹"]
    assert found[2].split() == ["b", "1.5", "mm"]


def test_an_empty_list_says_what_to_do():
    async def steps(app, rows, pilot):
        rows.show([], cells)
        await pilot.pause()
        await pilot.press("down", "enter", "end")
        return lines(rows), app.heard

    found, heard = run(steps)
    assert "no rows: connect something" in found[2]
    assert heard == []


def test_columns_go_where_there_is_no_room_and_the_first_never():
    async def steps(app, rows, pilot):
        rows.show(["a"], cells)
        wide = lines(rows)[0].split()
        await pilot.resize_terminal(22, 8)
        await pilot.pause()
        narrow = lines(rows)[0].split()
        await pilot.resize_terminal(8, 8)
        await pilot.pause()
        return wide, narrow, lines(rows)[1][:7].strip()

    wide, narrow, tiny = run(steps)
    assert wide == ["name", "value", "unit"]
    assert narrow == ["name", "value"]
    assert tiny.startswith("a ")


def test_only_visible_rows_are_made():
    async def steps(app, rows, pilot):
        asked = []

        def noted(key):
            asked.append(key)
            return cells(key)

        rows.show(range(5000), noted)
        await pilot.pause()
        first = set(asked)
        asked.clear()
        await pilot.press("end")
        await pilot.pause()
        return first, set(asked), rows.key

    first, last, key = run(steps)
    assert max(first) < 10
    assert min(last) > 4980
    assert key == 4999


def test_the_cursor_stays_on_its_row_while_the_order_changes():
    async def steps(app, rows, pilot):
        rows.show(["a", "b", "c"], cells)
        await pilot.press("down")
        rows.show(["c", "x", "b", "a"], cells)
        await pilot.pause()
        held = (rows.keys, rows.key, rows.held)
        await pilot.press("o")
        return held, rows.keys, rows.key, rows.held

    held, keys, key, still = run(steps)
    assert held == (("a", "b", "c", "x"), "b", True)
    assert (keys, key, still) == (("c", "x", "b", "a"), "c", False)


def test_an_untouched_list_follows_the_order_of_importance():
    async def steps(app, rows, pilot):
        rows.show(["a", "b"], cells)
        rows.show(["b", "a"], cells)
        await pilot.pause()
        return rows.keys, rows.key

    assert run(steps) == (("b", "a"), "b")


def test_going_up_to_the_first_row_takes_the_order_again():
    async def steps(app, rows, pilot):
        rows.show(["a", "b"], cells)
        await pilot.press("down")
        rows.show(["b", "a"], cells)
        await pilot.press("up")
        return rows.keys, rows.held

    assert run(steps) == (("b", "a"), False)


def test_a_row_that_goes_away_gives_the_cursor_to_the_first():
    async def steps(app, rows, pilot):
        rows.show(["a", "b", "c"], cells)
        await pilot.press("down", "down")
        rows.show(["a", "b"], cells)
        await pilot.pause()
        return rows.key, rows.keys

    assert run(steps) == ("a", ("a", "b"))


def test_headings_are_passed_over():
    async def steps(app, rows, pilot):
        rows.show([Heading("one"), "a", Heading("two"), "b"], cells)
        await pilot.press("down")
        return rows.key, lines(rows)[1:5]

    key, found = run(steps)
    assert key == "b"
    assert [text.split()[0] for text in found] == ["one", "a", "two", "b"]


def test_enter_and_a_double_click_open_a_row():
    async def steps(app, rows, pilot):
        rows.show(["a", "b"], cells)
        await pilot.press("enter")
        await pilot.click(Rows, offset=(2, 2))
        await pilot.click(Rows, offset=(2, 2), times=2)
        await pilot.pause()
        return [each for each in app.heard if each[0] == "chosen"], rows.key

    chosen, key = run(steps)
    assert chosen == [("chosen", "a"), ("chosen", "b")]
    assert key == "b"


def test_every_move_is_told():
    async def steps(app, rows, pilot):
        rows.show(["a", "b", "c"], cells)
        await pilot.press("down", "j", "k", "pagedown", "home")
        await pilot.pause()
        return [key for kind, key in app.heard if kind == "moved"]

    assert run(steps) == ["a", "b", "c", "b", "c", "a"]


def test_a_key_that_is_sought_gets_the_cursor():
    async def steps(app, rows, pilot):
        rows.show(range(100), cells)
        found = rows.go_to(50), rows.go_to("nowhere")
        await pilot.pause()
        return found, rows.key, any("‹" in text for text in lines(rows))

    assert run(steps) == ((True, False), 50, True)


def test_cells_wider_than_their_column_are_cut_and_nothing_moves():
    async def steps(app, rows, pilot):
        rows.show(["a", "b"], lambda key: ("n", "123456789012" if key == "a" else "1", "mm"))
        await pilot.pause()
        return lines(rows)[1:3]

    first, second = run(steps)
    assert "1234567…" in first
    assert first.index("mm") == second.index("mm")
