"""What a car file may not say although each of its values can be read."""
