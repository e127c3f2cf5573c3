"""A search finds what a person types."""

import pytest

from buswright.tui.search import fits


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "oil_pressure",
        "OIL",
        "oil pressure",
        "pressure oil",
        "oil_pr",
        "bar press",
        "rear left",
        "a5v",
        "oil p",
        "oil prs",
        "prs oil",
    ],
)
def test_spaces_stand_for_underscores_and_words_come_in_any_order(typed):
    assert fits(typed, "oil_pressure", "bar", "plug rear_left", "A5V")


@pytest.mark.parametrize(
    "typed", ["oil temperature", "oil_bar", "pressure_oil", "oilpressure", "oil tmp", "srs", "p_ol"]
)
def test_every_word_must_be_there_and_an_underscore_joins_two(typed):
    assert not fits(typed, "oil_pressure", "bar")


@pytest.mark.parametrize("typed", ["brake temp", "temp brake", "brk tmp", "brake_temp", "BRAKE Temperature"])
def test_a_word_may_be_shortened(typed):
    assert fits(typed, "brake_temperature_fl")
