"""How channels behave: what a run shows of each, in numbers without a verdict."""
