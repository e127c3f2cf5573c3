"""What a capture holds, and what was recorded, cut and decoded: as text and as JSON."""
