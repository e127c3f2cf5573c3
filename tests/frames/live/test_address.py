"""Addresses of live buses, part by part."""

import pytest

from buswright.errors import UserError
from buswright.frames.live.address import is_live, parse_all, parse_live

EXAMPLE = "for example live:socketcan/can0 or live:slcan//dev/ttyACM0?bitrate=500000"


@pytest.mark.parametrize(
    ("value", "read"),
    [
        ("true", True), ("Yes", True), ("ON", True), ("false", False), ("no", False), ("Off", False),
        ("7", 7), ("-7", -7), ("0.5", 0.5), ("1e3", 1000.0),
        ("word", "word"), ("", ""), ("a%20b", "a b"), ("0x10", "0x10"),
    ],
)  # fmt: skip
def test_options_are_numbers_switches_or_words(value, read):
    found = parse_live(f"live:x/y?key={value}").options["key"]
    assert (found, type(found)) == (read, type(read))


@pytest.mark.parametrize(
    ("value", "rate"), [("500000", 500_000), ("500k", 500_000), ("1M", 1_000_000), ("83.333k", 83_333)]
)
@pytest.mark.parametrize("key", ["bitrate", "data_bitrate"])
def test_rates(key, value, rate):
    assert parse_live(f"live:x/y?{key}={value}").options[key] == rate


@pytest.mark.parametrize(
    ("text", "message", "hint"),
    [
        ("x/y", "x/y: not a live source; write live:BACKEND/CHANNEL?option=value", EXAMPLE),
        ("live:x", "live:x: not a live source; write live:BACKEND/CHANNEL?option=value", EXAMPLE),
        ("live:/y", "live:/y: not a live source; write live:BACKEND/CHANNEL?option=value", EXAMPLE),
        ("live:x/y?", "live:x/y?: write the option '' as option=value", EXAMPLE),
        ("live:x/y?a", "live:x/y?a: write the option 'a' as option=value", EXAMPLE),
        ("live:x/y?=b", "live:x/y?=b: write the option '=b' as option=value", EXAMPLE),
        ("live:x/y?a=1&&b=2", "live:x/y?a=1&&b=2: write the option '' as option=value", EXAMPLE),
        (
            "live:x/y?bitrate=true",
            "live:x/y?bitrate=true: 'true' is not a bit rate",
            "bits per second: 500000, 500k or 1M",
        ),
        (
            "live:x/y?state=ACTIVE",
            "live:x/y?state=ACTIVE: state can't be set here, because listen-only is always asked for",
            "leave state out; a lone module on a bench, never a car, needs --bench",
        ),
    ],
)
def test_what_is_refused_and_why(text, message, hint):
    with pytest.raises(UserError) as caught:
        parse_live(text)
    assert (caught.value.message, caught.value.hint) == (message, hint)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("live:udp_multicast/239.0.0.2", "239.0.0.2"),
        ("live:other/239.0.0.2?port=5", "239.0.0.2"),
        ("live:pcan/1", "pcan1"),
        ("live:pcan/", "pcan"),
        ("live:slcan//dev/7?bitrate=1M", "slcan7"),
        ("live:x/a%23b%09c%07", "a_b_c_"),
        ("live:x/y?name=can%20left", "can_left"),
        ("live:x/y?name=", "y"),
        ("live:x/y?name=5", "5"),
    ],
)
def test_names(text, name):
    address = parse_live(text)
    assert address.name == name
    assert "name" not in address.options


def test_an_option_may_hold_an_equals_sign_and_a_channel_a_question_mark_in_disguise():
    address = parse_live("live:x/a%3Fb?key=c=d&k%26=1")
    assert (address.channel, dict(address.options)) == ("a?b", {"key": "c=d", "k&": 1})


def test_two_buses_of_one_name_are_told_how_to_differ():
    with pytest.raises(UserError) as caught:
        parse_all(["live:x/can0?a=1", "live:y/can1", "live:y/can0"])
    assert caught.value.message == "live:x/can0?a=1 and live:y/can0: both would be called can0"
    assert caught.value.hint == "name one of them: live:y/can0?name=can1"
    assert [address.name for address in parse_all(["live:x/a", "live:x/b"])] == ["a", "b"]
    assert [is_live(source) for source in ("live:x/y", "xlive:x/y", "LIVE:x/y")] == [True, False, False]
