"""One module alone: for the bench."""
