"""The screens in the order of their number keys. Free of Textual: the command names them without loading it."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any, NamedTuple


class Listed(NamedTuple):
    """A screen: its title, and the module and class that are loaded when it is needed."""

    title: str
    module: str
    kind: str

    def load(self) -> type[Any]:
        """Load it; return its class."""
        kind: type[Any] = getattr(import_module(f"buswright.tui.screens.{self.module}"), self.kind)
        return kind


SCREENS: Mapping[str, Listed] = {
    "overview": Listed("Overview", "overview.screen", "OverviewScreen"),
    "identifiers": Listed("Identifiers", "identifiers.screen", "IdentifiersScreen"),
    "channels": Listed("Channels", "channels.screen", "ChannelsScreen"),
    "findings": Listed("Findings", "findings.screen", "FindingsScreen"),
    "wiggle": Listed("Wiggle", "wiggle.screen", "WiggleScreen"),
    "recording": Listed("Recording", "recording.screen", "RecordingScreen"),
    "module": Listed("Module", "module.screen", "ModuleScreen"),
}
