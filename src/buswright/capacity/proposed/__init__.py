"""What somebody wants to add to a bus: in words or as a database, and with which identifiers."""
