"""What is wrong with channels: their wires, supplies and grounds, their decoding, their calibration, their physics."""
