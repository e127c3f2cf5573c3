"""The kinds of faults, by where each acts."""
