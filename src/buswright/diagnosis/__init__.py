"""What is wrong, and where: pure functions over measured numbers."""
