"""From frames to signals and back: the plan of a message, columns of values, batches."""
