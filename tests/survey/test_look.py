"""One identifier's layout: against databases that it doesn't see, published methods, and a recording of a road car."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from buswright.frames.captures.opening import open_capture
from buswright.frames.table import concatenate
from buswright.messages.checksum import crc8, crc_table
from buswright.survey.checks import find_check
from buswright.survey.look import look
from tests.survey.accuracy import measure
from tests.survey.driven import drive, public, wrenfell
from tests.survey.published import flip_rates, read_signals

ROAD_CAR = Path(__file__).parents[1] / "data" / "road_car.log"


def road_car(identifier: int) -> npt.NDArray[np.uint8]:
    """Payloads of one identifier of the road car."""
    frames = concatenate(list(open_capture(ROAD_CAR)))
    payload: npt.NDArray[np.uint8] = frames.payload[frames.id == identifier]
    return payload


def test_better_than_published_methods_on_hidden_databases() -> None:
    """The whole measurement is `python -m tests.survey.accuracy`; here a part, with room for chance."""
    messages = [*islice(wrenfell(), 0, None, 4), *islice(public(), 0, None, 16)]
    truths = [truth for message in messages if (truth := drive(message, frames=2_000, seed=7)) is not None]
    found = measure(truths)
    assert found.boundaries["survey"].f1 > 0.93
    assert found.boundaries["survey"].f1 > max(found.boundaries[name].f1 for name in ("READ", "TANG")) + 0.2
    assert min(found.share("order"), found.share("counter")) > 0.9
    assert min(found.share("checksum"), found.share("rule")) > 0.8
    assert found.share("sign") > 0.85
    assert found.counts["survey wrong checksum"] == 0


@pytest.mark.acceptance
@pytest.mark.parametrize("seed", [101, 102])
def test_whole_accuracy(seed: int) -> None:
    for messages in (wrenfell(), public()):
        found = measure([truth for message in messages if (truth := drive(message, seed=seed)) is not None])
        assert found.boundaries["survey"].f1 > 0.96
        assert found.boundaries["READ"].f1 < 0.75
        assert min(found.share("order"), found.share("counter")) > 0.95
        assert found.share("rule") > 0.88


@pytest.mark.parametrize("identifier", [0x221, 0x2A8])
def test_checksums_of_a_road_car(identifier: int) -> None:
    """The sum over data and identifier in the last byte, a counter in the high nibble of byte 6 (public recording)."""
    layout = look(road_car(identifier), identifier)
    assert layout.check is not None
    assert layout.check.kind == "sum8-id"
    assert (layout.check.byte, layout.check.over) == (7, (0, 6))
    counter = next(each for each in layout.fields if each.kind == "counter")
    assert (counter.start, counter.length, counter.counter_step) == (52, 4, 1)


def test_the_reference_implementation_cuts_as_another_one_does() -> None:
    """Cuts of READ's first phase for an identifier of the road car, computed elsewhere from the whole recording."""
    assert read_signals(flip_rates(road_car(0x2A8))) == [(0, 51), (52, 59), (60, 63)]


@pytest.mark.parametrize("polynomial", [0x07, 0x1D, 0x9B])
def test_any_polynomial_start_and_place(polynomial: int) -> None:
    rng = np.random.default_rng(5)
    payload = np.zeros((300, 8), dtype=np.uint8)
    payload[:, 1] = np.arange(300) & 15
    walk = np.cumsum(rng.integers(-4, 5, 300))
    payload[:, 3], payload[:, 4] = walk & 255, walk >> 8 & 255
    payload[:, 5] = np.cumsum(rng.integers(-1, 2, 300)) & 255
    payload[:, 0] = crc8(crc_table(polynomial, 8), list(payload[:, 1:].T), 300, 0x5A, 0x13)
    found = find_check(payload, 0x123)
    assert found is not None
    assert (found.byte, found.over, found.right) == (0, (1, 7), found.frames)
    assert f"polynomial 0x{polynomial:02X}" in found.text
    payload[:, 0] = rng.integers(0, 256, 300)
    assert find_check(payload, 0x123) is None


def test_a_multiplexer_and_its_layouts() -> None:
    """Three layouts of a 16-bit and an 8-bit walk each; the last byte is there in all."""
    rng = np.random.default_rng(8)
    n = 3_000
    payload = np.zeros((n, 8), dtype=np.uint8)
    payload[:, 0] = np.arange(n) % 3
    walks = [1_000 * (k + 3) + np.cumsum(rng.integers(-9, 10, n)) for k in range(3)]
    mean = np.choose(payload[:, 0], walks)
    payload[:, 2], payload[:, 3] = mean & 255, mean >> 8
    payload[:, 7] = 100 + 80 * np.sin(np.arange(n) / 150)
    layout = look(payload, 0x100)
    assert layout.multiplexer is not None
    assert layout.multiplexer.values == (0, 1, 2)
    assert {each.mux_value for each in layout.fields if each.start // 8 in (2, 3)} == {0, 1, 2}
    assert [each.mux_value for each in layout.fields if each.start // 8 == 7] == [None]


def test_a_quantity_is_no_multiplexer_of_itself() -> None:
    payload = np.zeros((2_000, 4), dtype=np.uint8)
    wave = (600 + 40 * np.sin(np.arange(2_000) / 30)).astype(np.int64)
    payload[:, 0], payload[:, 1] = wave & 255, wave >> 8
    assert look(payload, 0x100).multiplexer is None


def test_still_bits_above_a_quantity_belong_to_it() -> None:
    """Values of 2100 to 2900 in twelve bits: the highest never moves, and is 1."""
    payload = np.zeros((2_000, 2), dtype=np.uint8)
    wave = (2_500 + 400 * np.sin(np.arange(2_000) / 80)).astype(np.int64)
    payload[:, 0], payload[:, 1] = wave & 255, wave >> 8
    (field,) = look(payload, 0x100).fields
    assert np.array_equal(field.read(payload), wave)


def test_nothing_is_said_of_little() -> None:
    assert look(np.zeros((0, 8), dtype=np.uint8), 1).fields == ()
    assert look(np.zeros((500, 8), dtype=np.uint8), 1).fields == ()
    assert look(np.zeros((500, 0), dtype=np.uint8), 1).fields == ()
    assert look(np.arange(10, dtype=np.uint8).reshape(10, 1), 1).fields == ()
