"""Which tone a verdict has."""

from __future__ import annotations

from collections.abc import Mapping

from buswright.diagnosis.now.identifiers import IdState, Rank
from buswright.diagnosis.now.modules import Sender
from buswright.findings import Severity
from buswright.tui.widgets.toned import SEVERITY_TONES, Tone


def severity_tone(severity: Severity | None, otherwise: Tone = "plain") -> Tone:
    """Return the tone of a severity, `otherwise` where there is none."""
    return otherwise if severity is None else SEVERITY_TONES[severity]


def tone_of(state: IdState) -> Tone:
    """Return the tone of an identifier's word: what can't be judged is dim."""
    return severity_tone(state.severity, "good" if state.rank is Rank.OK else "dim")


def sender_tone(sender: Sender) -> Tone:
    """Return the tone of a module's word."""
    well: Mapping[str, Tone] = {"present": "good", "now and then": "plain"}
    return severity_tone(sender.severity, well.get(sender.state, "dim"))
