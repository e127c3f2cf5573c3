"""What a bus carries: its streams, from what was measured and what is declared."""
