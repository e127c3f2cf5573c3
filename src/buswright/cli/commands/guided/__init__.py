"""Commands that lead a person: the demo, the manual, the workbench, a test on the bench."""
