"""What the frames mean: databases, decode plans, signal columns, checksums."""
