"""How its frames win the bus."""
