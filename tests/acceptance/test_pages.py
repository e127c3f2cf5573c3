"""Every page at three widths, in light and dark, and on paper: nothing is clipped, nothing too small or faint to read.

In headless Chromium; paper is measured in the PDF that it prints, with pypdfium2.
"""

from __future__ import annotations

import asyncio
import ctypes
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.browser import Tab, tab
from tests.acceptance.pages_made import pages

pytestmark = pytest.mark.acceptance

SCRIPT = Path(__file__).with_suffix("").with_name("pages.js").read_text(encoding="utf-8")
MM, PIXELS = 72 / 25.4, 96 / 25.4
MARGIN = 12
"""Of the paper, in mm, as the pages ask for it."""
LEAST_PT = 7.0
"""Common practice for the least size of print in tables."""
LEAST_PIXELS = 9.0
"""Of text on a screen (common practice)."""
LEAST_CONTRAST = 4.5
"""Between text and what is behind it: WCAG 2.2, 1.4.3."""


def test_nothing_is_clipped_and_all_can_be_read(tmp_path: Path) -> None:
    pdfium = pytest.importorskip("pypdfium2")

    async def look() -> list[str]:
        async with tab() as one:
            return [fault for path in pages(tmp_path) for fault in await faults_of(one, path, pdfium)]

    faults = asyncio.run(look())
    assert not faults, "\n".join(faults)


async def faults_of(one: Tab, path: Path, pdfium: Any) -> list[str]:
    """What of a page is clipped or can't be read: on screens, in light and dark, on paper."""
    found = []
    for width in (1400, 820, 390):
        await one.open(path, width)
        script = f"{SCRIPT}; [...clipped(), ...tiny({LEAST_PIXELS})]"
        found += [f"at {width}: {each}" for each in await one.run(script)]
    for kind in ("light", "dark"):
        await one.open(path, 1400, dark=kind == "dark")
        found += [f"{kind}: {each}" for each in await one.run(f"{SCRIPT}; faint({LEAST_CONTRAST})")]
    await one.open(path, 1200)
    sheets = pdfium.PdfDocument(await one.pdf())
    found += _on_paper(sheets, pdfium.raw)
    for landscape in {sheet.get_width() > sheet.get_height() for sheet in sheets}:
        width = (297 if landscape else 210) - 2 * MARGIN
        await one.open(path, round(width * PIXELS), paper=True)
        await one.run("dispatchEvent(new Event('beforeprint'))")
        if not landscape:
            await one.run("for (const each of document.querySelectorAll('section:has(table.broad)')) each.remove()")
        found += [f"paper {width} mm wide: {each}" for each in await one.run(f"{SCRIPT}; clipped()")]
    return [f"{path.name}, {each}" for each in found]


def _on_paper(sheets: Any, raw: Any) -> list[str]:
    """What stands outside the margins, or is smaller than can be read; of each kind the first of a sheet."""
    found = []
    for number, sheet in enumerate(sheets, 1):
        wide, high = sheet.get_size()
        if sorted((round(wide / MM), round(high / MM))) != [210, 297]:
            found.append(f"sheet {number}: {wide / MM:.0f} by {high / MM:.0f} mm is no A4")
        text, matrix, faults = sheet.get_textpage(), raw.FS_MATRIX(), {}
        for k in range(text.count_chars()):
            letter = text.get_text_range(k, 1)
            if not letter.strip():
                continue
            left, _, right, _ = text.get_charbox(k)
            inside = left > MARGIN * MM - 1 and right < wide - MARGIN * MM + 1
            if not inside and letter not in "fil":  # the library misplaces the letters of a ligature
                faults.setdefault("beyond the margin", k)
            raw.FPDFText_GetMatrix(text, k, ctypes.byref(matrix))
            size = raw.FPDFText_GetFontSize(text, k) * (matrix.a**2 + matrix.b**2) ** 0.5
            if size < LEAST_PT - 0.05:
                faults.setdefault(f"{size:.1f} pt", k)
        found += [f"sheet {number}, {fault}: {text.get_text_range(k, 24)!r}" for fault, k in faults.items()]
    return found
