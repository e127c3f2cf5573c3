"""What was on the wire: captures, frames, and exact wire time."""
