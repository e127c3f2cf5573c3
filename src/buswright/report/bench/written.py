"""The sheet of a bench test as a file: a page to print, or JSON."""

from __future__ import annotations

from pathlib import Path

from buswright.errors import UserError
from buswright.records import escaped, laid_out
from buswright.report.bench.sheet import Sheet, render_json
from buswright.wording import visible


def rendered(sheet: Sheet, path: Path) -> str:
    """Return the sheet as a file of that name holds it.

    Raises
    ------
    UserError
        The name has neither ending.
    """
    ending = path.suffix.lower()
    if ending == ".json":
        return visible(laid_out(render_json(sheet)), keep="\n", spelled=escaped) + "\n"
    if ending not in (".html", ".htm"):
        raise UserError(f"{path}: a sheet is .html or .json", hint=f"for example {path.with_suffix('.html').name}")
    from buswright.report.bench.page import render_html

    return render_html(sheet)
