"""One cell at a time: each spelling that makers use, each end of what is taken, and what is refused."""

import pytest

from buswright.messages.sheet import cells
from buswright.messages.sheet.cells import CellError, Identifier, Kind


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("4", 4),
        (" -40 ", -40),
        ("−40", -40),
        ("- 40", -40),
        ("-\n40", -40),
        ("-\N{NO-BREAK SPACE}0,5", -0.5),
        ("+3", 3),
        ("0,1", 0.1),
        (".5", 0.5),
        ("5.", 5.0),
        ("1e-3", 0.001),
        ("1E3", 1000.0),
        ("x0.5", 0.5),
        ("×2", 2),
        ("* 2", 2),
        ("0.1 °C/bit", 0.1),
        ("9.81 m/s2", 9.81),
        ("0.5 m2", 0.5),
        ("1/10", 0.1),
        ("x 3 / 4 bar", 0.75),
        ("-1/8", -0.125),
        ("2^-7", 0.0078125),
        ("2**3", 8.0),
        ("10 ^ 2", 100.0),
        ("1^0 V", 1.0),
        ("0^5", 0.0),
        ("9007199254740993", 9007199254740993),
    ],
)
def test_a_number_is_what_is_written_and_a_whole_one_stays_whole(text, value):
    read = cells.number(text)
    assert (read, type(read)) == (value, type(value))


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ("", "is no number"),
        ("fast", "is no number"),
        ("1 2", "is no number"),
        ("2^-7 5", "is no number"),
        ("2^-7/3", "is no number"),
        ("1234567890^2", "is no number"),
        ("1/10 5", "is no number"),
        ("1/0", "divides by 0"),
        ("0^-1", "divides by 0"),
        ("1e999", "is too large"),
        ("1/1e999", "is too large"),
        ("9^999", "is too large"),
    ],
)
def test_what_is_no_number_is_refused(text, wrong):
    with pytest.raises(CellError) as refused:
        cells.number(text)
    assert refused.value.wrong == wrong
    assert refused.value.hint.startswith("write a number: 0.1")


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0", 0),
        ("8", 8),
        ("64", 64),
        ("16.0", 16),
        ("12 bits", 12),
        ("2 Bytes", 2),
        ("0x10", 16),
        ("$0A", 10),
        ("1Fh", 31),
    ],
)
def test_a_whole_number_is_taken_up_to_the_most(text, value):
    assert cells.whole(text, 64) == value


@pytest.mark.parametrize(
    ("text", "wrong"),
    [("65", "is above 64"), ("0x41", "is above 64"), ("-1", "is no whole number"), ("1.5", "is no whole number")],
)
def test_what_is_no_whole_number_is_refused(text, wrong):
    with pytest.raises(CellError) as refused:
        cells.whole(text, 64)
    assert (refused.value.wrong, refused.value.hint) == (wrong, "write a number from 0 to 64")


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("7", (7, 7)),
        ("2-3", (2, 3)),
        ("15..8", (15, 8)),
        ("15:8", (15, 8)),
        ("3-0", (3, 0)),
        ("0 to 64", (0, 64)),
        ("1…4", (1, 4)),
        ("0x10", (16, 16)),
    ],
)
def test_a_range_keeps_the_order_of_its_ends(text, ends):
    assert cells.span(text, 64) == ends


@pytest.mark.parametrize("text", ["-1..3", "0..65", "65..0", "3--1"])
def test_a_range_beyond_the_payload_is_refused(text):
    with pytest.raises(CellError, match="lies outside 0 to 64"):
        cells.span(text, 64)


@pytest.mark.parametrize(
    ("text", "ends"),
    [
        ("0..100", (0.0, 100.0)),
        ("-40 to 125 °C", (-40.0, 125.0)),
        ("[0|5]", (0.0, 5.0)),
        ("(-1,5; 1,5)", (-1.5, 1.5)),
        ("-10 - -5", (-10.0, -5.0)),
    ],
)
def test_limits_are_two_numbers(text, ends):
    assert cells.limits(text) == ends


@pytest.mark.parametrize(
    ("text", "wrong"), [("100", "is no range"), ("low to high", "is no range"), ("0..1e999", "is too large")]
)
def test_what_is_no_range_is_refused(text, wrong):
    with pytest.raises(CellError) as refused:
        cells.limits(text)
    assert refused.value.wrong == wrong


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("0x1A0", Identifier("1A0", True)),
        ("$1a0", Identifier("1a0", True)),
        ("1A0h", Identifier("1A0", True)),
        ("18FEE500x", Identifier("18FEE500", False)),
        ("18_FE_E5_00", Identifier("18FEE500", False)),
        ("416", Identifier("416", False)),
        ("419360256", Identifier("419360256", False)),  # nine decimal digits: no hexadecimal identifier is so long
    ],
)
def test_an_identifier_keeps_its_digits_and_whether_it_is_marked(text, read):
    assert cells.identifier(text) == read


@pytest.mark.parametrize("text", ["", "0xZZ", "0x123456789", "12345678901", "engine", "1A0 B"])
def test_what_is_no_identifier_is_refused(text):
    with pytest.raises(CellError, match="is no identifier"):
        cells.identifier(text)


@pytest.mark.parametrize(
    ("text", "base", "extended", "value"),
    [
        ("100", 10, None, (100, False)),
        ("100", 16, None, (0x100, False)),
        ("0x100", 10, None, (0x100, False)),
        ("1A0", 10, None, (0x1A0, False)),
        ("7FF", 16, None, (0x7FF, False)),
        ("800", 16, None, (0x800, True)),
        ("00000100", 16, None, (0x100, True)),
        ("00000100", 10, None, (100, False)),
        ("0000100", 16, None, (0x100, False)),
        ("100", 16, True, (0x100, True)),
        ("1FFFFFFF", 16, None, (0x1FFFFFFF, True)),
    ],
)
def test_an_identifier_has_11_bits_where_they_are_enough(text, base, extended, value):
    assert cells.identifier(text).value(base, extended) == value


@pytest.mark.parametrize(("text", "extended", "most"), [("800", False, "7FF"), ("20000000", None, "1FFFFFFF")])
def test_an_identifier_above_the_highest_is_refused(text, extended, most):
    with pytest.raises(CellError, match=f"is above {most}, the highest identifier"):
        cells.identifier(text).value(16, extended)


@pytest.mark.parametrize(
    ("text", "big"),
    [
        *((text, False) for text in ("Intel", "little-endian", "LE", "LSB first", "1", "intel (le)")),
        *((text, True) for text in ("Motorola", "big_endian", "BE", "MSB first", "0", "motorola msb")),
    ],
)
def test_a_byte_order_has_many_words(text, big):
    """The digits are those of a DBC's `@1` (little) and `@0` (big)."""
    assert cells.big_endian(text) is big


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("signed", Kind(signed=True)),
        ("Yes", Kind(signed=True)),
        ("-", Kind(signed=True)),
        ("two's complement", Kind(signed=True)),
        ("+", Kind()),
        ("unsigned", Kind()),
        ("no", Kind()),
        ("uint16", Kind(length=16)),
        ("UINT8_t", Kind(length=8)),
        ("int8", Kind(signed=True, length=8)),
        ("s16 BE", Kind(signed=True, length=16, big_endian=True)),
        ("u32 le", Kind(length=32, big_endian=False)),
        ("word", Kind(length=16)),
        ("uword", Kind(length=16)),
        ("sword", Kind(signed=True, length=16)),
        ("short", Kind(signed=True, length=16)),
        ("byte", Kind(length=8)),
        ("ubyte", Kind(length=8)),
        ("sbyte", Kind(signed=True, length=8)),
        ("bool", Kind(length=1)),
        ("boolean", Kind(length=1)),
        ("long", Kind(signed=True, length=32)),
        ("float32", Kind(signed=True, is_float=True, length=32)),
        ("float", Kind(signed=True, is_float=True)),
        ("double", Kind(signed=True, is_float=True, length=64)),
    ],
)
def test_a_sign_or_type_says_sign_length_and_order(text, kind):
    assert cells.kind(text) == kind


@pytest.mark.parametrize(
    ("text", "extended"),
    [
        *((text, True) for text in ("29 bit", "Extended", "CEFF", "2.0B", "yes", "1")),
        *((text, False) for text in ("11 bit", "Standard", "CBFF", "2.0A", "no", "0")),
    ],
)
def test_the_width_of_an_identifier_has_many_words(text, extended):
    assert cells.yes(text) is extended


def test_a_width_that_is_neither_is_refused():
    with pytest.raises(CellError, match="says neither 11 nor 29 bits"):
        cells.yes("maybe")


@pytest.mark.parametrize(
    ("text", "head", "period"),
    [
        ("10", "", 10.0),
        ("10 ms", "", 10.0),
        ("0.1 s", "", 100.0),
        ("2 sec.", "", 2000.0),
        ("100 Hz", "", 10.0),
        ("4 /s", "", 250.0),
        ("0,5", "s", 500.0),
        ("20", "hz", 50.0),
        ("20 ms", "hz", 20.0),
        ("0", "", None),
        ("-5", "", None),
        ("on change", "", None),
    ],
)
def test_a_period_is_in_milliseconds_whatever_it_is_written_in(text, head, period):
    assert cells.period_ms(text, head) == period


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("M", (True, ())),
        ("Multiplexer", (True, ())),
        ("3", (False, ((3, 3),))),
        ("m3", (False, ((3, 3),))),
        ("0x10", (False, ((16, 16),))),
        ("1-4", (False, ((1, 4),))),
        ("4-1", (False, ((1, 4),))),
        ("1, 3-5; 9", (False, ((1, 1), (3, 5), (9, 9)))),
        ("m2M", (True, ((2, 2),))),
        ("0-1 M", (True, ((0, 1),))),
        ("4294967295", (False, ((4294967295, 4294967295),))),
        ("1000000-18446744073709551615", (False, ((1000000, 18446744073709551615),))),
    ],
)
def test_a_multiplexer_cell_says_whether_it_selects_and_which_values_select_it(text, read):
    assert cells.mux_values(text) == read


@pytest.mark.parametrize("text", ["18446744073709551616", "0-18446744073709551616", "1" * 21])
def test_a_multiplexer_has_no_value_beyond_64_bits(text):
    with pytest.raises(CellError):
        cells.mux_values(text)


@pytest.mark.parametrize("text", ["plain", "a; b", "back\\slash", "two\nlines", "a\\; b;\n\\", ""])
def test_a_guarded_text_is_one_piece(text):
    assert cells.pieces(cells.guarded(text)) == ([text] if text.strip() else [])


@pytest.mark.parametrize(
    ("text", "read"),
    [
        ("0=off; 1=on", {0: "off", 1: "on"}),
        ("0=off\n1 = on", {0: "off", 1: "on"}),
        ("0=off, 1=on", {0: "off", 1: "on"}),
        ("0=off, but warm", {0: "off, but warm"}),
        ("0: a, b; 1: c, 2: d", {0: "a, b", 1: "c, 2: d"}),
        ("-1=back; 0x0F=all", {-1: "back", 15: "all"}),
        ("010=ten", {10: "ten"}),
    ],
)
def test_a_value_table_splits_at_semicolons_or_else_at_commas_before_a_number(text, read):
    assert cells.choices(text) == read


def test_a_value_without_its_text_is_named():
    with pytest.raises(CellError, match="'on' in it is no value with its text"):
        cells.choices("0=off; on")
    with pytest.raises(CellError, match=f"'{'x' * 30}' in it"):
        cells.choices(f"0=off; {'x' * 32}")


def test_attributes_are_numbers_or_texts():
    assert cells.attributes('Rate=2.5; Word="a\\; b"') == {"Rate": 2.5, "Word": "a; b"}
    assert cells.attributes("Flag=1; Free = as it is ") == {"Flag": 1, "Free": "as it is"}
    with pytest.raises(CellError, match="'alone' in it is no attribute"):
        cells.attributes("alone")
    with pytest.raises(CellError, match=f"'{'x' * 30}' in it"):
        cells.attributes("x" * 32)
