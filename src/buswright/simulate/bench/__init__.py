"""A module on a bench, and the person who does what a plan asks for."""
