"""DBC text: cut into statements, and written."""
