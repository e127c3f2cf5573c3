"""The screens in the order of their number keys. Free of Textual: the command names them without loading it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple


class Listed(NamedTuple):
    """A screen: its title, and the module and class that are loaded when it is needed."""

    title: str
    module: str
    kind: str


SCREENS: Mapping[str, Listed] = {
    "overview": Listed("Overview", "overview", "OverviewScreen"),
    "identifiers": Listed("Identifiers", "identifiers", "IdentifiersScreen"),
    "channels": Listed("Channels", "channels", "ChannelsScreen"),
    "findings": Listed("Findings", "findings_screen", "FindingsScreen"),
    "wiggle": Listed("Wiggle", "wiggle_screen", "WiggleScreen"),
    "recording": Listed("Recording", "recording_screen", "RecordingScreen"),
}
