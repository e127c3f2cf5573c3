"""Are the bits of a signal read as they were sent? Byte order, sign, place, range."""
