"""What screens are made of: lists, lines of toned text, bars, drawings, dialogs."""
