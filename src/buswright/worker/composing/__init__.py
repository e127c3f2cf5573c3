"""What becomes of the frames: folded, judged, and put together to snapshots."""
