"""The wiggle test: which plug makes the glitches."""
