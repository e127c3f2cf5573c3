"""The one place the version is written."""

__version__ = "0.2.0"
