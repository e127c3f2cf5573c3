"""Handing a car file over: packs, what changed by meaning, and parts taken from another car."""
