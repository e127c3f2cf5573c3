"""What a season is asked for: its tables as data frames, in SQL, and a channel as a series again."""
