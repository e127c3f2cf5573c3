"""The gap classifier: what a silence is consistent with."""
