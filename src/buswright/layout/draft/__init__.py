"""Drafting a car file from captures and databases."""
