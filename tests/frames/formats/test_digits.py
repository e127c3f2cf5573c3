"""Numbers parsed inside 64-bit words."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from buswright.frames.formats import digits

HEX = b"0123456789abcdefABCDEF"


def loaded(characters: bytes) -> digits.Words:
    return digits.words(np.frombuffer(bytearray(characters + b"\n" * 8), dtype=np.uint8))[:1]


def test_every_character_in_every_place_is_judged():
    for place in range(8):
        for character in range(256):
            word = bytearray(b"00000000")
            word[place] = character
            assert bool(digits.are_hex(loaded(bytes(word)))[0]) == (character in HEX), (place, character)
            assert bool(digits.are_decimal(loaded(bytes(word)))[0]) == (48 <= character < 58), (place, character)


@given(st.binary(min_size=8, max_size=8))
def test_any_eight_bytes_are_judged_as_a_whole(word):
    assert bool(digits.are_hex(loaded(word))[0]) == all(c in HEX for c in word)
    assert bool(digits.are_decimal(loaded(word))[0]) == all(48 <= c < 58 for c in word)


@given(st.text(alphabet=HEX.decode(), min_size=8, max_size=8))
def test_hex_is_what_int_says(word):
    assert digits.hex_number(loaded(word.encode()))[0] == int(word, 16)
    assert int(digits.hex_bytes(loaded(word.encode()))[0]).to_bytes(4, "little") == bytes.fromhex(word)


@given(st.integers(0, 99_999_999), st.integers(0, 8))
def test_decimals_and_partial_words(number, count):
    word = f"{number:08d}".encode()
    assert digits.decimal_number(loaded(word))[0] == number
    first = digits.first_characters(loaded(word), np.array([count]))
    last = digits.last_characters(loaded(word), np.array([count]))
    assert digits.decimal_number(last)[0] == int(word[8 - count :] or b"0")
    assert digits.decimal_number(first)[0] == int(word[:count].ljust(8, b"0"))


def test_pair_table_holds_every_pair():
    table = digits.pair_table()
    for high in range(256):
        for low in range(256):
            good = high in HEX and low in HEX
            assert table[high | low << 8] == (int(bytes([high, low]), 16) if good else 0x8000)


def test_words_lie_at_every_place_where_eight_characters_are_left():
    data = np.frombuffer(bytearray(b"0123456789"), dtype=np.uint8)
    assert [int(word).to_bytes(8, "little") for word in digits.words(data)] == [b"01234567", b"12345678", b"23456789"]
    assert [int(word).to_bytes(8, "little") for word in digits.words(data, 2)] == [b"23456789"]
    assert [int(pair).to_bytes(2, "little") for pair in digits.pairs(data[:4])] == [b"01", b"12", b"23"]


def test_counts_that_agree_are_one_and_fit_a_word():
    assert digits.alike(np.array([3, 3, 3])).tolist() == [3]
    assert digits.alike(np.array([3, 4, 3])).tolist() == [3, 4, 3]
    assert digits.alike(np.zeros(0, np.int64)).tolist() == []
    assert digits.up_to_eight(np.array([-5, 0, 3, 8, 9])).tolist() == [0, 0, 3, 8, 8]
