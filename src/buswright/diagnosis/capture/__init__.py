"""Did the recording tell the truth? Lines, clock, stamps, filters and lost frames of the capture itself."""
