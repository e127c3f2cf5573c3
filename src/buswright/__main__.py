"""`python -m buswright`."""

from buswright.cli.main import entry

entry()
