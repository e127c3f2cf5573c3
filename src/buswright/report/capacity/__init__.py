"""Whether something fits on a bus, as text, JSON and a page."""

from buswright.report.capacity.as_json import render_json
from buswright.report.capacity.text import render_text

__all__ = ["render_json", "render_text"]
