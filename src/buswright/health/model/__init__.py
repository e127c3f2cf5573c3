"""What was measured, as frozen values."""
