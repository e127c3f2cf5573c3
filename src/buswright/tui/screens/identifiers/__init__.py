"""The list of identifiers, and the page of one."""
