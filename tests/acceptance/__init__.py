"""The long evidence, run by hand: `pytest -m acceptance tests/acceptance`; what feeds it is tested with the rest."""
