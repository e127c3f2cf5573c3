"""Typing a trial signal on the page of an identifier, with keys at three sizes."""

from dataclasses import replace

import numpy as np

from buswright.messages.typed import typed_signal
from buswright.survey.draft import MARK, inferred
from buswright.survey.gather import Gathered
from buswright.survey.survey import survey_one
from buswright.tui.screens.identifiers.page import IdDetailScreen
from buswright.tui.widgets.trial_line import TrialLine
from buswright.worker.composing.trials import Trials, with_trials
from buswright.worker.snapshot import TrialNow

from ..made_detail import looked_at
from ..piloted import SIZES, piloted, settled, text_of, told


def with_trial(text, *, taken=True):
    """The page of an identifier that no database knows, with this trial signal."""
    snapshot = looked_at("chassis/1A0")
    detail, signal = snapshot.detail, typed_signal(text)
    value = np.linspace(0.5, 4.5, len(detail.time_ns))
    message = with_trials(None, detail.name, [signal], 8)
    return replace(
        snapshot, detail=replace(detail, message=message, signals=(), trials=(TrialNow(signal, taken, value, 7),))
    )


def surveyed(*, paged=False):
    """The page of an identifier with a survey: of a counter and a quantity, with two layouts if `paged`."""
    snapshot = looked_at("chassis/1A0")
    detail, n = snapshot.detail, len(snapshot.detail.time_ns)
    payload = np.zeros((n, 8), dtype=np.uint8)
    step, number = np.arange(n), np.arange(n) % 4 if paged else np.zeros(n)
    moved = np.round(
        32000 + 27000 * np.sin(step / 150 * (1 + number / 3) + 1.5 * number) + 9 * np.sin(37.0 * step)
    ).astype(">u2")
    payload[:, 0], payload[:, 2:4] = number, moved.view(np.uint8).reshape(n, 2)
    payload[:, 6] = np.arange(n) % 16
    gathered = Gathered(
        detail.name, n, 8, np.unpackbits(payload[1:] ^ payload[:-1], axis=1, bitorder="little").sum(axis=0),
        payload, detail.time_ns, np.ones(n, dtype=bool),
    )  # fmt: skip
    found = survey_one(gathered, None, snapshot.health)
    whole = np.zeros((n, 64), dtype=np.uint8)
    whole[:, :8] = payload
    return replace(snapshot, detail=replace(detail, message=None, signals=(), payload=whole, survey=found))


def shown(snapshot, trials):
    """The snapshot that a worker gives when these are tried."""
    detail = snapshot.detail
    tested = tuple(TrialNow(each, False, np.linspace(0, 9, len(detail.time_ns)), 7) for each in trials.of(detail.name))
    message = with_trials(None, detail.name, [each.signal for each in tested], 8)
    return replace(detail, trials=tested, message=message)


def page(steps, snapshot, size=(120, 40)):
    async def first(app, pilot, worker):
        app.push_screen(IdDetailScreen(snapshot.detail.name))
        await settled(pilot)
        found = await steps(app, pilot, worker)
        assert not app.notices, app.notices
        return found

    return piloted(first, snapshot=snapshot, screen="identifiers", size=size)


def test_what_is_typed_is_tried_at_once_and_taken_with_enter():
    snapshot = looked_at("chassis/1A0")

    async def steps(app, pilot, worker):
        await pilot.press("t", *"byte 2 m")
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            lines = text_of(app)
            assert any("byte 2 m" in each for each in lines)
            assert any("'m' is not understood" in each for each in lines)
        await pilot.press("backspace", *"as o", "enter")
        await settled(pilot)
        return text_of(app), worker.asked

    after, asked = page(steps, snapshot)
    name = snapshot.detail.name
    assert ("type_trial", name, typed_signal("byte 2")) in asked
    assert ("take_trial", name, typed_signal("byte 2 as o")) in asked
    assert not any("byte 2 as o" in each for each in after)


def test_escape_leaves_without_it_and_the_page_stays():
    snapshot = looked_at("chassis/1A0")

    async def steps(app, pilot, worker):
        await pilot.press("t", *"byte 2", "escape")
        await settled(pilot)
        return worker.asked, type(app.screen)

    asked, screen = page(steps, snapshot)
    assert asked[-1] == ("type_trial", snapshot.detail.name, None)
    assert screen is IdDetailScreen


def test_a_trial_is_drawn_with_its_letter_and_its_trace():
    async def steps(app, pilot, worker):
        return text_of(app)

    for taken in (True, False):
        lines = page(steps, with_trial("byte 2 in V as oil", taken=taken))
        grid = next(each for each in lines if each.startswith("  2  "))
        assert grid.count("A") >= 8
        said = next(each for each in lines if "trial oil" in each)
        assert "0.5 to 4.5 V" in lines[lines.index(said) + 1]
        assert ("not taken yet" in said) is not taken
        assert any("\u2800" < sign < "\u28ff" for sign in lines[lines.index(said) + 2])


def test_saving_asks_where_and_before_it_overwrites(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    snapshot = with_trial("byte 2 as oil")

    async def steps(app, pilot, worker):
        await pilot.press("s", "enter")
        await settled(pilot)
        first = list(worker.asked)
        (tmp_path / "trial_chassis.toml").write_text("mine")
        await pilot.press("s", "enter")
        await settled(pilot)
        question = text_of(app)
        await pilot.press("n", "s", "enter")
        await settled(pilot)
        refused = list(worker.asked)
        await pilot.press("y")
        await settled(pilot)
        return first, question, refused, list(worker.asked)

    first, question, refused, last = page(steps, snapshot)
    saved = [each for each in first if each[0] == "keep_trials"]
    assert [each[1] for each in saved] == ["chassis"]
    assert any("trial_chassis.toml: there already" in each for each in question)
    assert [each for each in refused if each[0] == "keep_trials"] == saved
    (_, overwritten) = (each for each in last if each[0] == "keep_trials")
    assert overwritten[-1] is True


def test_without_a_trial_there_is_nothing_to_save():
    async def steps(app, pilot, worker):
        await pilot.press("s")
        await settled(pilot)
        return told(app)

    assert "no trial signal yet" in page(steps, looked_at("chassis/1A0"))


# The survey -----------------------------------------------------------------------------------------------------------


def test_each_field_of_the_survey_has_its_line_and_its_trace_beside_the_bits_at_every_size():
    snapshot = surveyed()
    fields = snapshot.detail.survey.layout.fields
    assert [(each.kind, each.start, each.length, each.big_endian) for each in fields] == [
        ("quantity", 23, 16, True), ("counter", 48, 4, False),
    ]  # fmt: skip

    async def steps(app, pilot, worker):
        seen = []
        await pilot.press("f")
        asked = worker.asked[-1]
        worker.give(detail=shown(snapshot, Trials().with_typed(*asked[1:])))
        for size in SIZES:
            await pilot.resize_terminal(*size)
            await settled(pilot)
            top = text_of(app)
            await pilot.press("end")
            seen.append((size, top, text_of(app)))
            await pilot.press("home")
        return asked, seen

    asked, seen = page(steps, snapshot)
    assert asked == ("type_trial", snapshot.detail.name, inferred(fields[0], None))
    for size, top, _ in seen:
        bits = "\n".join(top[next(at for at, each in enumerate(top) if each.startswith("byte hex")) :][:9])
        assert f"trial {fields[0].name}, not taken yet" in bits, size
        assert "quantity, 97 % sure" in bits
        assert any("\u2800" < sign < "\u28ff" for sign in bits)
        assert bits.count("A") >= 16
    whole = "\n".join(seen[-1][1])
    assert "In memory: " in whole
    assert "> " in next(each for each in seen[-1][1] if "bytes 2-3, 16 bits big-endian" in each)
    counter = next(each for each in seen[-1][1] if "byte 6 bits 0-3" in each)
    assert "counter" in counter
    assert "100 %" in counter


def test_a_field_is_taken_as_it_is_or_its_words_are_changed():
    snapshot = surveyed()
    name, (quantity, counter) = snapshot.detail.name, snapshot.detail.survey.layout.fields

    async def steps(app, pilot, worker):
        await pilot.press("f", "f", "a")
        await settled(pilot)
        taken = worker.asked[-1]
        said = told(app)
        await pilot.press("a")
        refused = worker.asked[-1]
        await pilot.press("f", "t")
        await settled(pilot)
        words = app.screen.query_one(TrialLine).query_one("Input").value
        await pilot.press(*" x2", "enter")
        return taken, said, refused, words, worker.asked[-1]

    taken, said, refused, words, changed = page(steps, snapshot)
    assert taken == ("take_trial", name, inferred(counter, None))
    assert MARK in taken[2].comment
    assert "s saves it" in said
    assert refused == taken
    assert words == f"bytes 2-3 big as {quantity.name}"
    assert changed == ("take_trial", name, typed_signal(f"{words} x2"))


def test_behind_the_last_field_none_is_looked_at_and_leaving_the_page_ends_it():
    snapshot = surveyed()

    async def steps(app, pilot, worker):
        await pilot.press("F", "f")
        after_last = worker.asked[-1]
        await pilot.press("f", "escape")
        await settled(pilot)
        return after_last, worker.asked[-2:]

    after_last, left = page(steps, snapshot)
    assert after_last == ("type_trial", snapshot.detail.name, None)
    assert ("type_trial", snapshot.detail.name, None) in left


def test_a_field_of_a_multiplexer_takes_it_along_when_its_words_are_changed_too():
    snapshot = surveyed(paged=True)
    name, layout = snapshot.detail.name, snapshot.detail.survey.layout
    at, field = next((at, each) for at, each in enumerate(layout.fields) if each.mux_value is not None)
    selector = inferred(layout.selector, layout.selector)

    async def steps(app, pilot, worker):
        await pilot.press(*["f"] * (at + 1))
        looked = worker.asked[-1]
        await pilot.press("t", *" x2", "enter")
        return looked, worker.asked[-1]

    looked, changed = page(steps, snapshot)
    assert looked == ("type_trial", name, inferred(field, layout.selector), selector)
    assert (changed[2].scale, changed[2].multiplexer, changed[3]) == (2, selector.name, selector)


def test_without_a_field_the_key_says_why():
    async def steps(app, pilot, worker):
        await pilot.press("f")
        await settled(pilot)
        return told(app), worker.asked

    said, asked = page(steps, looked_at("chassis/1A0"))
    assert "no field" in said
    assert not any(each[0] == "type_trial" for each in asked)
