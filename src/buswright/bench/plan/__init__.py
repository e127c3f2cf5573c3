"""The bench plan: what it may say, how it is read and written."""
