import math
from dataclasses import replace

import numpy as np
import pytest

from buswright.channels.carfile.model import Level
from buswright.channels.following.model import Trace
from buswright.channels.samples.series import Quality, describe_quality
from buswright.diagnosis.now.channels import FINE, judge_channel
from buswright.tui.digits import decimals_by_size, decimals_for, decimals_of, number, raw_text
from buswright.tui.screens.channel_words import quality_short
from buswright.tui.screens.channels import rows
from buswright.tui.widgets.rows import Heading
from buswright.tui.widgets.toned import width_of

from ..made import snapshot_of

S = 1_000_000_000
NAN = float("nan")


def channel(name="damper_fl", **changes):
    return replace(next(each for each in snapshot_of().channels if each.name == name), **changes)


def bad(name="damper_fl"):
    bits = int(Quality.ELECTRICAL_RAIL)
    return channel(name, usable=False, quality=bits, quality_words=describe_quality(bits), bad_samples=7)


def trace(values, *, spikes=(), wrong=(), start=100):
    low, high = np.float32(values), np.float32(values)
    for at, value in spikes:
        low[at], high[at] = min(low[at], value), max(high[at], value)
    marks = np.zeros(len(low), dtype=np.bool_)
    marks[list(wrong)] = True
    return Trace(start * S, low, high, marks)


def drawn(trace, now_ns, cells, *, first_ns=None, **named):
    return "".join(span.text for span in rows.trace_spans(trace, first_ns, now_ns, cells, **named))


# Digits -----------------------------------------------------------------------------------------------------------


def test_decimals_show_one_step_of_the_raw_value():
    known = decimals_of(snapshot_of().car)
    assert known["engine_speed"] == 1  # 0.25 rpm a step
    assert known["throttle"] == 2  # 0.01 %
    assert known["damper_fl"] == 2  # 150 mm over 4 V, a millivolt a step: 0.0375 mm
    assert known["gear"] == 0


def test_without_resolution_four_digits_of_the_largest_value():
    assert decimals_by_size(3.1416, -0.2) == 3
    assert decimals_by_size(31416.5) == 0
    assert decimals_by_size(1.0, 2.0, NAN) == 0
    assert decimals_by_size(0.0001234) == 4
    assert decimals_for(channel("front_speed"), {}) == 4


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (-0.001, 2, "0.00"),
        (NAN, 2, "–"),
        (math.inf, 2, "∞"),
        (-123456.789, 3, "-123456.8"),
        (1e12, 2, "1.00e+12"),
        (-1.5, 2, "-1.50"),
    ],
)
def test_numbers_fit_their_column(value, decimals, text):
    assert number(value, decimals) == text
    assert len(number(value, decimals)) <= 9


def test_raw_values_are_whole_where_they_are():
    assert [raw_text(each) for each in (2463, 1.5, None)] == ["2463", "1.500", ""]


# Order, groups, search --------------------------------------------------------------------------------------------


def test_the_worst_comes_first_and_alike_ones_keep_their_order():
    several = [
        channel("throttle"),
        channel("gear", silent_ns=None),
        channel("damper_fl", level="caution"),
        bad("damper_fr"),
        channel("pedal", silent_ns=2_500_000_000),
        channel("lambda_target", quality=int(Quality.TOO_FAST)),
        channel("engine_speed", rate_hz=100.0),
        channel("roll", trace=trace([1.0, 2.0], wrong=[0])),
        channel("pitch", level="warning"),
        channel("yaw_rate"),
    ]
    assert rows.keys_of(several, "worst", "none") == [
        *("pedal", "damper_fr", "pitch", "damper_fl", "gear"),
        *("lambda_target", "roll", "engine_speed", "throttle", "yaw_rate"),
    ]
    assert rows.keys_of(several, "name", "none")[:2] == ["damper_fl", "damper_fr"]
    assert rows.keys_of(several, "file", "none")[0] == "throttle"


def test_an_interpolated_value_is_nothing_to_look_at():
    assert judge_channel(channel(quality=int(Quality.INTERPOLATED))).concern == FINE


@pytest.mark.parametrize(
    ("group", "titles"),
    [
        ("plug", ["plug C12  2 channels  1 BAD", "no plug given  1 channel"]),
        ("supply", ["supply 5V-A  2 channels  1 BAD", "no supply given  1 channel"]),
        ("ground", ["ground G2  2 channels  1 BAD", "no ground given  1 channel"]),
        ("module", ["module engine_controller  1 channel", "module damper_node  2 channels  1 BAD"]),
        ("bus", ["bus engine  1 channel", "bus chassis  2 channels  1 BAD"]),
        ("message", ["message engine/ENGINE_1  1 channel", "message chassis/DAMPERS_A  2 channels  1 BAD"]),
    ],
)
def test_groups_have_a_heading_that_counts_what_is_wrong(group, titles):
    keys = rows.keys_of([channel("throttle"), bad("damper_fl"), channel("damper_fr")], "file", group)
    assert [key.title for key in keys if isinstance(key, Heading)] == titles
    assert len(keys) == 5


def test_a_search_looks_into_names_wires_and_reasons():
    texts = " ".join(rows.texts_of(bad()))
    for word in ("damper_fl", "mm", "C12", "5V-A", "G2", "AIN1", "damper_node", "DAMPERS_A", "BAD", "wiring fault"):
        assert word in texts


# Cells ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({}, "ok"),
        ({"level": "warning", "side": "low"}, "WARNING ↓"),
        ({"level": "caution", "side": "high"}, "caution ↑"),
        ({"silent_ns": S}, "SILENT"),
        ({"usable": False}, "BAD"),
        ({"silent_ns": None}, "waiting"),
    ],
)
def test_states_are_words_and_fit_their_column(change, text):
    cell = rows.state_cell(channel(**change))
    assert cell.text == text
    assert len(cell.text) <= 9


def test_rates_stand_beside_what_is_expected():
    assert rows.rate_cell(channel(rate_hz=199.6, expected_hz=200.0)).text == "200/200"
    slow = rows.rate_cell(channel(rate_hz=142.0, expected_hz=200.0))
    assert (slow.text, slow.tone) == ("142/200", "suspect")
    assert rows.rate_cell(channel(rate_hz=0.5, expected_hz=None)).text == "0.5"
    assert rows.rate_cell(channel(rate_hz=None, expected_hz=10.0)).text == "–/10"


def test_every_quality_has_a_short_word():
    for bit in Quality:
        assert quality_short(int(bit)) not in ("", "good")
    assert quality_short(0) == "good"
    assert quality_short(int(Quality.AFTER_GAP | Quality.ELECTRICAL_RAIL)) == "electrical end, after a gap"


@pytest.mark.parametrize("width", [80, 120, 200])
def test_a_row_has_a_cell_for_each_column_and_none_is_wider(width):
    columns = rows.columns_for(width)
    for each in (*snapshot_of().channels, bad(), channel("gear", text="neutral")):
        cells = rows.cells_of(
            each,
            decimals={},
            picks=["gear"],
            first_ns=None,
            now_ns=200 * S,
            trace_cells=rows.trace_cells_for(width),
            group="none",
        )
        assert len(cells) == len(columns)
        for column, cell in zip(columns, cells, strict=True):
            size = len(cell) if isinstance(cell, str) else len(cell.text) if hasattr(cell, "text") else width_of(cell)
            assert size <= column.width or column.title in ("channel", "quality"), (each.name, column, cell)


def test_a_bad_value_that_nothing_objects_to_is_not_called_good():
    each = channel(usable=False, value=NAN, quality=0, quality_words="no number: the formula has none")
    cells = rows.cells_of(
        each, decimals={}, picks=[], first_ns=None, now_ns=200 * S, trace_cells=10, group="none"
    )  # fmt: skip
    assert "no number" in [cell.text for cell in cells if hasattr(cell, "text")]
    spans = [span for spans in rows.about(each, "", {}, None, 100) for span in spans]
    assert next(span for span in spans if span.text.startswith("no number")).tone == "suspect"


# Trace ------------------------------------------------------------------------------------------------------------


def test_a_trace_ends_with_the_second_shown_and_says_where_nothing_came():
    made = trace([1.0, 2.0, 3.0], start=110)
    assert drawn(made, 114 * S, 60, first_ns=108 * S) == " " * 53 + "··▁▄█··"
    assert drawn(made, 114 * S, 60, first_ns=10 * S) == "·" * 55 + "▁▄█··"


@pytest.mark.parametrize("cells", [15, 20, 30, 60])
@pytest.mark.parametrize("spike", [9.0, -9.0])
def test_a_glitch_shows_whichever_way_it_went(cells, spike):
    values = np.zeros(60)
    text = drawn(trace(values, spikes=[(30, spike)]), 159 * S, cells)
    assert len(text) == cells
    edge, rest = ("█", "▁") if spike > 0 else ("▁", "█")
    assert text[30 * cells // 60] == edge
    assert set(text) == {edge, rest}


def test_unusable_seconds_are_marked_also_without_any_value():
    assert drawn(trace([1.0, NAN, 1.0], wrong=[1], start=157), 159 * S, 60)[-3:] == "▄×▄"
    assert drawn(trace([NAN, NAN], wrong=[0, 1], start=158), 159 * S, 60)[-2:] == "××"


def test_noise_of_the_last_digit_stays_low():
    text = drawn(trace([1.0, 1.1, 1.0], start=157), 159 * S, 60, smallest=2.0)[-3:]
    assert len(set(text)) <= 2
    assert not set(text) & {"▁", "█"}


def test_a_trace_older_than_a_minute_is_all_dots():
    assert drawn(trace([1.0, 2.0], start=10), 159 * S, 20) == "·" * 20
    assert drawn(trace([]), 159 * S, 20, first_ns=160 * S) == " " * 20


# About one channel ------------------------------------------------------------------------------------------------


def test_the_panel_says_everything_in_full_words():
    text = "\n".join("".join(span.text for span in spans) for spans in rows.about(bad(), "AIN1", {}, None, 100))
    assert "input at or beyond its healthy volts: wiring fault" in text
    assert "warning below -35" in text
    assert "chassis/DAMPERS_A/AIN1, sent by damper_node, input AIN1, plug C12, supply 5V-A, ground G2" in text
    assert "7 of" in text
    assert "2.463 V" in text


def test_the_panel_says_how_long_a_silence_lasts():
    silent = channel(silent_ns=2_500_000_000)
    text = "".join(span.text for span in rows.about(silent, "", {}, silent.time_ns + 2_500_000_000, 100)[0])
    assert "SILENT for 2.5 s" in text


def test_the_panel_names_the_limit_that_is_crossed_and_the_formula():
    level: Level = "warning"
    over = channel(level=level, side="low", limit=-35.0)
    text = "\n".join("".join(span.text for span in spans) for spans in rows.about(over, "", {}, None, 60))
    assert "now below -35" in text
    made = rows.about(channel("supply_drop"), "", {}, None, 60)
    assert any("battery_voltage - node_supply" in span.text for spans in made for span in spans)
    assert max(map(width_of, made[1:])) <= 60
