"""What the numbers of the steps mean: checks with their limits and verdicts."""
