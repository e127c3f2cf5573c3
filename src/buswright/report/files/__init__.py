"""Channels and signals to files: Parquet and CSV."""
