"""A layout's machine-readable twin: written into the document, and read back out of it."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from buswright.errors import UserError
from buswright.layout.document.model import SCHEMA, Layout
from buswright.records import escaped, laid_out, read_record, to_plain
from buswright.wording import visible

_MOST_BYTES = 64 << 20
_IN_HTML = re.compile(r'<script type="application/json" id="data">(.*?)</script>', re.DOTALL)
_IN_MARKDOWN = re.compile(r"^```json\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_HINT = "a layout is written by `buswright layout`"


class LayoutError(UserError):
    """A layout document can't be read."""


def document_of(layout: Layout) -> dict[str, Any]:
    """Return the layout as a JSON document."""
    return {"schema": SCHEMA, **to_plain(layout, lean=True)}


def layout_text(layout: Layout) -> str:
    """Write the document with one record a line, as far as it fits."""
    return visible(laid_out(document_of(layout)), keep="\n", spelled=escaped) + "\n"


def settled(layout: Layout) -> Layout:
    """Return a layout as it is once it was written and read again: figures with the digits that mean something."""
    return read_record(Layout, json.dumps(document_of(layout)), "layout", schema=SCHEMA, noun="layout", hint=_HINT)


def load(path: Path) -> Layout:
    """Read a layout out of an HTML page, a Markdown file, or the JSON that `layout --json` prints.

    Raises
    ------
    LayoutError
        It can't be read, or holds no layout; the text says where.
    """
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise LayoutError(f"{path}: has more than {_MOST_BYTES >> 20} MiB, so it is no layout")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise LayoutError(
            f"{path}: can't be read: {error.strerror}", hint="name a document of `buswright layout`"
        ) from None
    except UnicodeDecodeError:
        raise LayoutError(f"{path}: is no text", hint=_HINT) from None
    if not text.lstrip().startswith("{"):
        found = list(_IN_HTML.finditer(text)) or list(_IN_MARKDOWN.finditer(text))
        if not found:
            raise LayoutError(f"{path}: holds no layout: its machine-readable part is missing", hint=_HINT)
        text = found[-1][1]
    return read_record(Layout, text, str(path), schema=SCHEMA, noun="layout", hint=_HINT, error=LayoutError)
