"""What a run shows phase by phase: key on with the engine off, the start, idling; and how well it is sampled."""
