"""What unknown frames carry, as text, JSON and a page."""

from buswright.report.survey.as_json import render_json
from buswright.report.survey.text import render_text

__all__ = ["render_json", "render_text"]
