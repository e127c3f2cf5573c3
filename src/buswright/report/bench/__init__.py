"""The sheet of a bench test: as text, as JSON, as a page to print."""
