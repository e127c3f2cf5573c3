"""Programs that fill the terminal, or a browser."""
