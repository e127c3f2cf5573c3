"""Capture formats: each recognises its first bytes, reads frames and, where it can hold them, writes them."""
