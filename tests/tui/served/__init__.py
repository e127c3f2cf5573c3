"""The workbench in browsers."""
