"""Where a live bus is: `live:BACKEND/CHANNEL?option=value&option=value`, with python-can's names."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from urllib.parse import unquote

from buswright.errors import UserError
from buswright.wording import read_bit_rate

PREFIX = "live:"
OptionValue = str | int | float | bool

_RATE_OPTIONS = ("bitrate", "data_bitrate")
_EXAMPLE = "for example live:socketcan/can0 or live:slcan//dev/ttyACM0?bitrate=500000"
_LISTENING_OPTIONS = ("listen_only", "driver_mode", "monitor", "state")
"""Options of backends that turn listen-only on or off; this program decides them."""


@dataclass(frozen=True, slots=True)
class LiveAddress:
    """One live bus.

    Attributes
    ----------
    backend, channel
        As python-can calls them: "socketcan", "can0". The channel may be empty: the backend's own default.
    options
        Further arguments of the backend, by name.
    name
        What the bus is called in captures: the option `name`, else the channel in short.
    text
        As it was written.
    """

    backend: str
    channel: str
    options: Mapping[str, OptionValue]
    name: str
    text: str

    def __str__(self) -> str:
        return self.text


def is_live(source: str) -> bool:
    """Whether a SOURCE names a live bus."""
    return source.startswith(PREFIX)


def parse_live(text: str) -> LiveAddress:
    """Parse one `live:` address.

    Everything between the first slash and the question mark is the channel, slashes included; `%2F` and the
    like are decoded. Rates may end in k or M.

    Raises
    ------
    UserError
        It is none, or it wants to decide whether to listen only, which is the program's part.
    """
    body, mark, query = text.removeprefix(PREFIX).partition("?")
    backend, slash, channel = body.partition("/")
    if not is_live(text) or not backend or not slash:
        raise UserError(f"{text}: not a live source; write live:BACKEND/CHANNEL?option=value", hint=_EXAMPLE)
    options: dict[str, OptionValue] = {}
    for item in query.split("&") if mark else []:
        key, equals, value = item.partition("=")
        if not key or not equals:
            raise UserError(f"{text}: write the option {item!r} as option=value", hint=_EXAMPLE)
        if key in _LISTENING_OPTIONS:
            raise UserError(
                f"{text}: {key} can't be set here, because listen-only is always asked for",
                hint=f"leave {key} out; a lone module on a bench, never a car, needs --bench",
            )
        options[unquote(key)] = _value(unquote(key), unquote(value), text)
    channel = unquote(channel)
    name = str(options.pop("name", "")) or _short_name(backend, channel, options)
    return LiveAddress(backend, channel, MappingProxyType(options), _plain(name), text)


def parse_all(texts: Sequence[str]) -> tuple[LiveAddress, ...]:
    """Parse several addresses; their names must differ, or the buses could not be told apart.

    Raises
    ------
    UserError
        One of them is none, two are the same, or two have the same name.
    """
    addresses = tuple(parse_live(text) for text in texts)
    seen: dict[str, LiveAddress] = {}
    for address in addresses:
        other = seen.setdefault(address.name, address)
        if other is not address:
            raise UserError(
                f"{other.text} and {address.text}: both would be called {address.name}",
                hint=f"name one of them: {address.text}{'&' if '?' in address.text else '?'}name=can1",
            )
    return addresses


def _value(key: str, value: str, text: str) -> OptionValue:
    """Read an option as python-can's configuration files do: numbers, true and false, else words."""
    if key in _RATE_OPTIONS:
        rate = read_bit_rate(value)
        if rate is not None:
            return rate
        raise UserError(f"{text}: {value!r} is not a bit rate", hint="bits per second: 500000, 500k or 1M")
    lowered = value.lower()
    if lowered in ("true", "yes", "on", "false", "no", "off"):
        return lowered in ("true", "yes", "on")
    for kind in (int, float):
        try:
            return kind(value)
        except ValueError:
            continue
    return value


def _short_name(backend: str, channel: str, options: Mapping[str, OptionValue]) -> str:
    short = channel.removeprefix("/dev/") or backend
    if backend == "udp_multicast" and "port" in options:
        return f"{short}:{options['port']}"
    return f"{backend}{short}" if short.isdigit() else short


def _plain(name: str) -> str:
    """Leave out what ends a field in a candump line, so that the recording calls the bus the same."""
    return "".join("_" if c.isspace() or c == "#" or not c.isprintable() else c for c in name)
