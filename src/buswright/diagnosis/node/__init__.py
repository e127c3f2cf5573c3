"""Are the modules and their identifiers well? Who is absent, silent, late or doubled, and what frames carry."""
