"""The list of channels."""
