"""A SOURCE is read once, for everything that a command makes of it."""
