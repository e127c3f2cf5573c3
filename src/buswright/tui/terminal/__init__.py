"""The way of pictures to a terminal, however slow it is."""
