"""The invented car: physics, wire behaviour and faults."""
