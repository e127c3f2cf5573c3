"""Will it fit? Load, worst-case response times, identifiers and logs of a bus, with or without something new on it."""
