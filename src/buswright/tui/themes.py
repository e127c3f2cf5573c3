"""Colours: for dark rooms, for daylight, and for terminals with sixteen colours. Tones get theirs here."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from rich.color import Color as RichColor
from rich.color_triplet import ColorTriplet
from textual.color import Color
from textual.theme import BUILTIN_THEMES, Theme


def _tones(
    dim: str, good: str, note: str, suspect: str, fault: str, accent: str, here: tuple[str, str], curves: str
) -> dict[str, str]:
    """Return a theme's variables: a colour for each tone of `toned`; `here` is ground and text of the cursor."""
    judged = {"dim": dim, "good": good, "note": note, "suspect": suspect, "fault": fault, "accent": accent}
    named = {**judged, "here": here[0], "here-text": here[1]}
    named |= {f"curve{number}": colour for number, colour in enumerate(curves.split(), 1)}
    return {f"tone-{name}": colour for name, colour in named.items()} | {"border": dim}


DUSK = Theme(
    name="dusk",
    primary="#5b8fb9",
    accent="#e0b15a",
    foreground="#d8d4c8",
    background="#15181c",
    surface="#1c2026",
    panel="#232830",
    success="#8fbf7f",
    warning="#e0b15a",
    error="#e8776a",
    dark=True,
    variables=_tones(
        "#8b8f96",
        "#8fbf7f",
        "#7fb2d6",
        "#e8b84f",
        "#ff8272",
        "#d9b779",
        here=("#34404e", "#f4f1e8"),
        curves="#7cc4f0 #f0a860 #9bd68a #e39ae0 #e6dc7c #c4c8d0",
    ),
)

NOON = Theme(
    name="noon",
    primary="#1f5f8b",
    accent="#8a5a00",
    foreground="#1d2126",
    background="#f6f4ee",
    surface="#ece9e0",
    panel="#e2ded2",
    success="#2f6b2f",
    warning="#8a5a00",
    error="#a8261c",
    dark=False,
    variables=_tones(
        "#6a6d72",
        "#2f6b2f",
        "#1f5f8b",
        "#8a5a00",
        "#a8261c",
        "#7a5200",
        here=("#cfdbe6", "#101418"),
        curves="#0b5d9c #a04a00 #2a6e1e #8a2a86 #6b5e00 #43474d",
    ),
)

SIXTEEN = Theme(
    name="sixteen",
    primary="ansi_blue",
    accent="ansi_cyan",
    foreground="ansi_default",
    background="ansi_default",
    surface="ansi_default",
    panel="ansi_default",
    success="ansi_green",
    warning="ansi_yellow",
    error="ansi_red",
    dark=True,
    ansi=True,
    variables=BUILTIN_THEMES["ansi-dark"].variables
    | _tones(
        "ansi_bright_black",
        "ansi_green",
        "ansi_cyan",
        "ansi_yellow",
        "ansi_red",
        "ansi_cyan",
        here=("ansi_cyan", "ansi_black"),
        curves="ansi_cyan ansi_yellow ansi_green ansi_magenta ansi_blue ansi_default",
    ),
)

THEMES = (DUSK, NOON, SIXTEEN)


@cache
def sparse_for(name: str) -> Mapping[ColorTriplet | None, RichColor]:
    """Return in which of the terminal's own colours a theme is shown over a slow line, by its RGB values.

    Only what calls for a look, or can be acted on, has a colour there; what is dim or in order looks as other text.
    """
    theme = next(each for each in THEMES if each.name == name)
    if theme.ansi:
        return {}
    fields = ("foreground", "background", "surface", "panel")
    alike = {getattr(theme, field): getattr(SIXTEEN, field) for field in fields}
    alike |= {colour: SIXTEEN.variables[tone] for tone, colour in theme.variables.items() if tone.startswith("tone-")}
    alike |= {theme.variables[f"tone-{tone}"]: "ansi_default" for tone in ("dim", "good")}
    return {Color.parse(one).rich_color.triplet: Color.parse(other).rich_color for one, other in alike.items()}


def theme_for(color_system: str | None) -> str:
    """Return the theme for what a terminal can show: its own sixteen colours where it has no more."""
    return "dusk" if color_system in ("truecolor", "256") else "sixteen"
