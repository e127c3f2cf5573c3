"""The wiggle test."""
