"""Pages: one self-contained HTML file that opens from disk, without a network. What all pages have in common."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from html import escape
from importlib import resources
from typing import Any

from buswright._version import __version__
from buswright.records import escaped
from buswright.wording import visible

POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:"
"""The browser itself refuses whatever a page would load from elsewhere."""

LEAST_BROAD, LEAST_BROADEST = 3, 12
"""More columns than these don't fit on a phone, and on a sheet held upright."""

_BANNER = re.compile(r"\A/\*!.*?\*/\s*", re.DOTALL)


def asset(name: str) -> str:
    """Return a file of the `assets` folder."""
    return resources.files("buswright.report").joinpath("assets", name).read_text(encoding="utf-8")


def render_page(title: str, body: str, *, data: Mapping[str, Any], scripts: Sequence[str], plots: bool = True) -> str:
    """Put a page together of a title in plain text and a body in HTML, whose maker has escaped what stands in it.

    The scripts draw `data`, which they read as JSON under the id `data`; they are assets that run after the plotting
    library and `plots.js`, where anything is plotted.
    """
    style = asset("uPlot.min.css") + "\n" if plots else ""
    title, body = visible(title), visible(body, keep="\n")
    code = "\n".join(asset(name) for name in (*(["plots.js"] if plots else ()), *scripts))
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{POLICY}">
<meta name="generator" content="Buswright {escape(__version__)}">
<title>{escape(title)}</title>
<style>
{style}{asset("page.css")}
</style>
</head>
<body>
{body}
<script type="application/json" id="data">{script_json(data)}</script>
{_library() if plots else ""}<script>
{code}
</script>
</body>
</html>
"""


def _library() -> str:
    """Return the plotting library with its licence."""
    licence, code = asset("uPlot.LICENSE").strip(), _BANNER.sub("", asset("uPlot.iife.min.js")).strip()
    return f"<!-- The plots are drawn by uPlot.\n{licence}\n-->\n<script>\n{code}\n</script>\n"


def script_json(data: Mapping[str, Any]) -> str:
    """Write JSON that may stand inside a script element: no text in it can end the element, or turn its writing."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return visible(text, spelled=escaped).replace("<", "\\u003c")


def article(kind: str, head: str, facts: Iterable[tuple[str, str]], place: str = "") -> str:
    """Lay out what was found: a head in the colour of its kind, and what is said under each label, all in HTML."""
    rows = "".join(f"<dt>{label}</dt><dd>{text}</dd>" for label, text in facts if text)
    return f'<article class="finding {kind}"{place}><h3>{head}</h3><dl>{rows}</dl></article>'


def html_table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    *,
    right: Sequence[int] = (),
    label: str,
    ranks: Mapping[int, Sequence[int]] | None = None,
) -> str:
    """Lay out a table. On a phone each row of a broad one becomes a card, where every cell says its head.

    Parameters
    ----------
    heads
        Plain text.
    rows
        Cells as HTML, escaped by the caller. The first cell names the row.
    right
        Columns of numbers.
    label
        Plain text that says what the table holds, for those who can't see where it stands.
    ranks
        By column: what its cells are sorted by where their text doesn't tell, a number for each row.
    """
    right_class = [' class="number"' if k in right else "" for k in range(len(heads))]
    head = "".join(f'<th scope="col"{kind}>{escape(text)}</th>' for text, kind in zip(heads, right_class, strict=True))
    cards = len(heads) > LEAST_BROAD
    kind_of_table = f"sortable{' cards' if cards else ''}{' broad' if len(heads) > LEAST_BROADEST else ''}"
    lines = []
    for number, row in enumerate(rows):
        first, *rest = row
        keys = [f' data-key="{ranks[k][number]}"' if ranks and k in ranks else "" for k in range(1, len(heads))]
        if cards:
            keys = [
                f'{key} data-head="{escape(text)}"{"" if cell else " data-empty"}'
                for key, text, cell in zip(keys, heads[1:], rest, strict=True)
            ]
        cells = "".join(
            f"<td{kind}{key}>{f'<span>{cell}</span>' if cards else cell}</td>"
            for cell, kind, key in zip(rest, right_class[1:], keys, strict=True)
        )
        lines.append(f'<tr><th scope="row">{first}</th>{cells}</tr>')
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{escape(label)}"><table class="{kind_of_table}">'
        f"<thead><tr>{head}</tr></thead><tbody>\n" + "\n".join(lines) + "\n</tbody></table></div>"
    )
