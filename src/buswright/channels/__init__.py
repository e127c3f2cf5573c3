"""What the car measures: the car file, calibrations, formulas, sessions."""
