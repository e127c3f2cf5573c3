"""Commands about how a run was: judge it, remember it, compare it with another one, keep many."""
