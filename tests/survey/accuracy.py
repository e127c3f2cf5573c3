"""Measure a survey against databases that it doesn't see: `python -m tests.survey.accuracy [SEED]`."""

from __future__ import annotations

import sys
from collections import Counter as Count
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from buswright.survey.look import look
from buswright.survey.tokens import bits_of
from tests.survey.driven import Truth, drive, public, wrenfell
from tests.survey.measure import Tally, bits_sent, cuts
from tests.survey.published import cand_signals, flip_rates, read_named, read_signals, tang_signals

METHODS = ("survey", "READ", "TANG", "CAN-D rule")


@dataclass
class Accuracy:
    """What came out: boundaries by method, and counts by what was asked."""

    boundaries: dict[str, Tally] = field(default_factory=lambda: {name: Tally() for name in METHODS})
    counts: Count[str] = field(default_factory=Count)

    def share(self, name: str) -> float:
        """Share of what was asked that came out right."""
        return self.counts[f"{name} right"] / max(1, self.counts[name])


def measure(truths: Iterable[Truth]) -> Accuracy:
    """Survey messages without their databases."""
    found = Accuracy()
    for truth in truths:
        _one(truth, found)
    return found


def _one(truth: Truth, found: Accuracy) -> None:
    payload, count = truth.payload, found.counts
    moving = np.unpackbits(np.bitwise_or.reduce(payload ^ payload[0]), bitorder="little").astype(bool)
    places = {s.name: frozenset(bits_of(s.start, s.length, s.big_endian)) for s in truth.signals}
    true = cuts(places.values(), moving)
    layout = look(payload, truth.message.id)
    rates = flip_rates(payload)
    by_method: dict[str, list[list[int]] | list[tuple[int, ...]]] = {
        "survey": [each.token.bits for each in layout.fields if each.mux_value is None],
        "READ": bits_sent(read_signals(rates)),
        "TANG": bits_sent(tang_signals(rates)),
        "CAN-D rule": bits_sent(cand_signals(payload)),
    }
    for name, owners in by_method.items():
        found.boundaries[name].add(cuts(owners, moving), true)
    seen = {frozenset(bit for bit in each.token.bits if moving[bit]): each for each in layout.fields}
    named = {
        frozenset(place ^ 7 for place in range(first, last + 1) if moving[place ^ 7]): kind
        for first, last, kind in read_named(rates)
    }
    for signal in truth.signals:
        kind = truth.kinds[signal.name]
        own = frozenset(bit for bit in places[signal.name] if moving[bit])
        if not own:
            continue
        hit = seen.get(own)
        count["whole"] += 1
        count["whole right"] += hit is not None
        if kind in ("counter", "checksum"):
            count[kind] += 1
            count[f"{kind} right"] += hit is not None and hit.kind == kind
            count[f"READ {kind}"] += 1
            count[f"READ {kind} right"] += named.get(own) == kind
        elif len({bit // 8 for bit in own}) > 1:
            near = [each for bits, each in seen.items() if len(bits & own) > len(own) / 2]
            count["order"] += 1
            count["order right"] += bool(near) and near[0].big_endian == signal.big_endian
        if kind == "quantity" and hit is not None:
            count["sign"] += 1
            count["sign right"] += hit.signed == signal.signed
            count["values"] += 1
            count["values right"] += bool(np.array_equal(hit.read(payload), truth.raws[signal.name]))
    if truth.checksum is not None:
        count["rule"] += 1
        count["rule right"] += layout.check is not None and layout.check.checksum == truth.checksum
    claims: dict[str, dict[frozenset[int], str]] = {
        "survey": {bits: each.kind for bits, each in seen.items()},
        "READ": named,
    }
    for method, claimed in claims.items():
        for bits, said in claimed.items():
            right = any(truth.kinds[name] == said and own & bits for name, own in places.items())
            if bits and said in ("counter", "checksum"):
                count[f"{method} claimed {said}"] += 1
                count[f"{method} wrong {said}"] += not right


def report(name: str, found: Accuracy) -> str:
    """Write a table."""
    lines = [name]
    for method, tally in found.boundaries.items():
        lines.append(f"  boundaries, {method}: F1 {tally.f1:.3f}, precision {tally.precision:.3f}, "
                     f"recall {tally.recall:.3f}")  # fmt: skip
    for asked in ("whole", "order", "sign", "values", "counter", "checksum", "rule", "READ counter", "READ checksum"):
        right = found.counts[f"{asked} right"]
        lines += [f"  {asked}: {right} of {found.counts[asked]} ({found.share(asked):.3f})"]
    for method in ("survey", "READ"):
        for said in ("counter", "checksum"):
            wrong, claimed = (found.counts[f"{method} {word} {said}"] for word in ("wrong", "claimed"))
            lines.append(f"  {method} called {claimed} fields {said}, {wrong} of them wrongly")
    return "\n".join(lines)


if __name__ == "__main__":
    seed = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    for title, messages in (("Wrenfell", wrenfell()), ("public databases", public())):
        truths = [truth for message in messages if (truth := drive(message, seed=seed)) is not None]
        print(report(f"{title}, {len(truths)} messages, seed {seed}", measure(truths)))
