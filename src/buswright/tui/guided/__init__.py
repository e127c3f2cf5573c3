"""The guided bench test on the terminal: one instruction at a time."""
