"""From readings to a calibration: least squares, intervals, what is doubtful about them."""
