"""The screens of the workbench, a folder each where one is more than a file."""
