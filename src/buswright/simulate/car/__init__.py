"""What the invented car is: networks, messages, sensors, car file."""
