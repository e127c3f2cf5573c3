"""The invented car in real time, on loopback and pseudo-terminals."""
