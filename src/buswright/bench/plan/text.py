"""A plan as TOML text that a person goes on with."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from buswright.channels.carfile.rendering import key, quoted, rendered


@dataclass(frozen=True, slots=True)
class DraftStep:
    """A step as it is written: its keys, and a comment above it."""

    values: Mapping[str, object]
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Drafted:
    """A plan before it is text: comment lines above everything, what is in [plan] and [limits], tables by name.

    Frames and inputs have their keys and a comment each.
    """

    head: tuple[str, ...]
    about: Mapping[str, object]
    limits: Mapping[str, float]
    frames: Mapping[str, tuple[Mapping[str, object], str]]
    inputs: Mapping[str, tuple[Mapping[str, object], str]]
    truths: Sequence[Mapping[str, object]]
    steps: Sequence[DraftStep]

    def text(self) -> str:
        """Return it as TOML."""
        parts = ["\n".join([*(f"# {line}".rstrip() for line in self.head), "format = 1"])]
        parts.append(_table("[plan]", self.about))
        if self.limits:
            parts.append(_table("[limits]", self.limits))
        for name, (values, comment) in self.frames.items():
            parts.append(_table(f"[frame.{quoted(name)}]", values, comment))
        for name, (values, comment) in self.inputs.items():
            parts.append(_table(f"[input.{key(name)}]", values, comment))
        parts += [_table("[[truth]]", values) for values in self.truths]
        parts += [_table("[[step]]", step.values, step.comment, above=True) for step in self.steps]
        return "\n\n".join(parts) + "\n"


def _table(header: str, values: Mapping[str, object], comment: str = "", *, above: bool = False) -> str:
    lines: Iterable[str] = [f"{name} = {rendered(_plain(value))}" for name, value in values.items()]
    said = " ".join(comment.split())
    first = [f"# {said}", header] if said and above else [f"{header}  # {said}" if said else header]
    return "\n".join([*first, *lines])


def _plain(value: object) -> object:
    """Write whole numbers as such, others with six digits."""
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < 1e15 else float(f"{value:.6g}")
    if isinstance(value, tuple | list):
        return [_plain(each) for each in value]
    if isinstance(value, Mapping):
        return {name: _plain(each) for name, each in value.items()}
    return value
