"""The health of the buses as text, JSON and a page."""
