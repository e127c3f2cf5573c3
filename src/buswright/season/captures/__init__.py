"""The captures of runs: files and URLs, when one that arrives is complete, and which are of one stint."""
