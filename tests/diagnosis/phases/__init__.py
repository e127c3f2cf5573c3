"""What a run shows phase by phase."""
