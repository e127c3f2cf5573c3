"""What unknown frames carry: counters, checksums, likely signals, and which known channel each of them follows."""
