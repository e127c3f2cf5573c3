"""What a season answers, as text, JSON and files."""
