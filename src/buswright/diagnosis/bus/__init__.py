"""Is the bus well? Its errors, its bit rate, its room."""
