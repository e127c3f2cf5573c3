"""The overview."""
