"""The bus layout document: what is on the buses, who says so, and what nobody knows."""
