"""One module a command; main.py lists them."""
