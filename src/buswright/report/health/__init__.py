"""The health of the buses as text, JSON and a page."""

from buswright.report.health.as_json import render_json
from buswright.report.health.text import render_text

__all__ = ["render_json", "render_text"]
