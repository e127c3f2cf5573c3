"""What changed from one car file to another, by meaning."""
