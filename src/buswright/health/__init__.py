"""How the bus behaves: numbers from every frame, no verdicts."""
