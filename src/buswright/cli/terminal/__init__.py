"""What stands between a program and a terminal: signs, keys, signals, streams that are closed or full."""
