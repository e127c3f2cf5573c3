"""Exact time on the wire: bits, stuff bits and checksums of every frame."""
