"""The workbench in a browser: a page, the server that hands it out, and the app of one viewer."""
