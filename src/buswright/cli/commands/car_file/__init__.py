"""Commands about the car file: draft, check and calibrate it, its databases, hand it over and take it in."""
