"""A good run remembered, and what changed since."""
