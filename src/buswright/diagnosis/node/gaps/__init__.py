"""Gaps: the evidence of a silence, the verdict on it, and the findings that verdicts come to."""
