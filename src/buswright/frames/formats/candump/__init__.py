"""candump text: the compact form and the terminal form."""
