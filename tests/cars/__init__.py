"""Cars that no detector was tuned on: own physics, own wiring, own frames, and faults put in before the converter."""
