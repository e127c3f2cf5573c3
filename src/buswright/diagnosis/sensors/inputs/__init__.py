"""Is the input of a channel well? Ends of its range, contacts, wires, changes that nothing real makes."""
