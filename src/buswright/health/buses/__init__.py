"""One bus as its frames come: load, bit rate, error frames."""
