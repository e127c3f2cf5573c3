"""Channels while they come in: latest values, extremes and a trace in bounded memory."""
