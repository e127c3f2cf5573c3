"""The bench test: a plan, its steps one after the other, and what each has shown."""
