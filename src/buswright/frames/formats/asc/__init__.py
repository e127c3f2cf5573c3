"""ASC text: read and written."""
