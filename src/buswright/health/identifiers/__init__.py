"""One identifier as its frames come: timing, gaps, counter, checksum, contents, senders."""
