"""Where a season lies: a folder, or a URL."""
