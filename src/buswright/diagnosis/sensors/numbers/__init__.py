"""Are the numbers right? Zeroes, factors, units, signs and places, held against each other and the car."""
