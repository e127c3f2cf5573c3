"""From what was recorded to a channel's values: raw columns in memory, their quality, the calibrated channel."""
