"""What shifts or shakes inputs from outside? Supplies, grounds, neighbours, the ignition."""
