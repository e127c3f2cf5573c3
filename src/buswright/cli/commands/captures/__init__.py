"""Commands about frames as they were recorded: find a bus, record it, list, cut and decode captures."""
