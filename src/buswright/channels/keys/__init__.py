"""The words in which a file is described: kinds of values, tables of keys, faults with their line."""
