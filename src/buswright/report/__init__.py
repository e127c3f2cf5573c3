"""Renderers of computed results: text, JSON, HTML, files."""
