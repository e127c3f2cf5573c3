"""Who does the work: this process, several, or a cluster."""
