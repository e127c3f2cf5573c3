"""A fault in one word, as it is given on a command line and typed while the car drives."""

from __future__ import annotations

import re
from typing import Any

from buswright.errors import UserError
from buswright.simulate.faults.catalogue import KINDS, Fault

FORM = "NAME[:SUBJECT][@SEVERITY][@ONSETs][@VARIANT]"

_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_SEVERITY = re.compile(_NUMBER)
_TIME = re.compile(rf"({_NUMBER})(?:-({_NUMBER}))? ?s")
_REPEAT = re.compile(r"(\d+)x")


def read_fault(text: str, *, timed: bool = True) -> Fault:
    """Read NAME[:SUBJECT] and what follows, each after an @ and in any order.

    A number is the severity, `20s` the onset in seconds from key-on, `20-30s` onset and end, `3x` how often, and
    anything else a variant.

    `text`: for example `loose-contact:plug:C13@4@20-30s@by-hand`; `timed`: it may say when.

    Raises
    ------
    UserError
        There is no such fault, it can't act on that, or a word means nothing to it.
    """
    what, *words = (word.strip() for word in text.split("@"))
    name, _, subject = what.partition(":")
    plain = Fault(name.strip(), subject.strip())
    kind = KINDS[plain.kind]
    given: dict[str, Any] = {"onset_s": kind.onset_s}
    variants: list[str] = []
    for word in words:
        if _SEVERITY.fullmatch(word):
            if kind.severity == "(none)":
                raise UserError(f"{text}: {kind.name} has no severity", hint=f"for its onset write {name}@{word}s")
            given["severity"] = float(word)
        elif match := _TIME.fullmatch(word):
            if not timed:
                raise UserError(f"{text}: a fault that is typed begins at once", hint=f"leave @{word} out")
            given["onset_s"] = float(match[1])
            if match[2]:
                given["duration_s"] = float(match[2]) - float(match[1])
        elif match := _REPEAT.fullmatch(word):
            given["repeat"] = int(match[1])
        elif word and (kind.variants or kind.any_variant):
            variants.append(word)
        else:
            example = "" if kind.severity == "(none)" else f"@{kind.default:g}"
            raise UserError(
                f"{text}: {kind.name} does not know {'@' + word!r}", hint=f"{FORM}; for example {name}{example}@20s"
            )
    return Fault(plain.kind, plain.subject, variant="+".join(variants), **given)
