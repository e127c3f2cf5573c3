"""How the invented car behaves."""
