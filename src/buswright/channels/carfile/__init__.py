"""The car file: what it may say, how it is read and checked."""
