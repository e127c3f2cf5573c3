"""What two packs hold beside their car files, compared."""

from __future__ import annotations

from collections.abc import Iterator

from buswright.findings import Severity
from buswright.layout.differences.difference import Difference
from buswright.layout.handover.manifest import Holds, Pack


def beside_the_cars(before: Pack | None, after: Pack | None) -> Iterator[Difference]:
    """Compare what two packs hold beside car file and databases, by content; nothing where one side is no pack."""
    if before is None or after is None:
        return
    for holds in (Holds.BASELINE, Holds.SHEET, Holds.LICENCE):
        old = {each.path: each.sha256 for each in before.of(holds)}
        new = {each.path: each.sha256 for each in after.of(holds)}
        for path in dict.fromkeys([*old, *new]):
            if old.get(path) == new.get(path):
                continue
            texts = old.get(path, ""), new.get(path, "")
            what = "is gone" if not texts[1] else "is new" if not texts[0] else "has another content"
            severity = Severity.SUSPECT if texts[0] and holds is Holds.LICENCE else Severity.NOTE
            yield Difference(severity, f"{holds}:{path}", "", what, *texts)
