"""Many runs in one place: their tables, a catalogue of them, and what changes from run to run."""
