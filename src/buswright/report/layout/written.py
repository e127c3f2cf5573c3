"""A layout document as it was written: its text by the ending of its name, what `layout` prints, and JSON."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from buswright.layout.document.file import document_of
from buswright.layout.document.model import Layout
from buswright.report.layout import words
from buswright.report.text import first, joined
from buswright.wording import plural

_MOST_QUESTIONS = 6


@dataclass(frozen=True, slots=True)
class Documented:
    """A layout and the file it was written to."""

    path: Path
    layout: Layout


def rendered(layout: Layout, path: Path) -> str:
    """Return the document as a file of that name holds it: Markdown for .md, else an HTML page."""
    if path.suffix.lower() in (".md", ".markdown"):
        from buswright.report.layout.markdown import render_markdown

        return render_markdown(layout)
    from buswright.report.layout.page import render_html

    return render_html(layout)


def render_text(documented: Documented) -> str:
    """Write what `layout` prints."""
    layout = documented.layout
    counts = [f"{value} {label}" for label, value in words.figures(layout)]
    lines = [f"{documented.path}: layout of {words.name_of(layout)}", f"  {', '.join(counts)}"]
    lines.append(f"  {words.coverage_words(layout)}")
    lines.append(f"  {words.issues_scope(layout)}")
    if layout.changes_since:
        lines.append(f"  {plural(len(layout.changes), 'change')} since {layout.changes_since}")
    questions = layout.questions
    if questions:
        lines.append(f"  {plural(len(questions), 'open question')}:")
        lines += first([f"  - {each.text}" for each in questions], _MOST_QUESTIONS, "  - {} more in the document")
    lines.append(f"Later: buswright verify {documented.path} SOURCE")
    return joined(lines)


def render_json(documented: Documented) -> dict[str, Any]:
    """Return the layout itself; its schema is layout.schema.json in schemas/."""
    return document_of(documented.layout)
