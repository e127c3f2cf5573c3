"""A calibration as text, as JSON and as a page."""
