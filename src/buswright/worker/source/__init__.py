"""Where the frames come from: a capture that is played, or live buses that are recorded."""
