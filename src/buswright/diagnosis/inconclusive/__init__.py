"""What a run can't tell: questions that stay open for channels and what they share, and findings with a rival."""
