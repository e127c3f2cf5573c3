"""Data-sheet tables: what a maker prints of a module's frames, read into messages and written from them."""
