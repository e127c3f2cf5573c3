"""What is wrong, as text, JSON and a page with its traces."""
