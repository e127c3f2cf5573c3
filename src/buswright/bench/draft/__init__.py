"""Plans drafted from a car file: of one module, or of the whole car at key-on."""
