"""Names of frames as a car file writes them."""

import pytest

from buswright.channels.carfile.names import parse_frame_name


@pytest.mark.parametrize(
    ("digits", "hint"),
    [
        ("1A", 'write "chassis/01A" (11 bits) or "chassis/0000001A" (29 bits)'),
        ("0x1A0", 'write "chassis/1A0" (11 bits) or "chassis/000001A0" (29 bits)'),
        ("1A0F", 'write "chassis/00001A0F" (29 bits)'),
        ("FFFFFFFFF", ""),
    ],
)
def test_a_wrong_number_of_digits_is_answered_with_the_right_ones(digits, hint):
    name, fault, tip = parse_frame_name(f"chassis/{digits}")
    assert name is None
    assert "neither three hexadecimal digits nor eight" in fault
    assert tip == hint
