"""Commands about the buses themselves: what they carry, document them, say what still fits."""
