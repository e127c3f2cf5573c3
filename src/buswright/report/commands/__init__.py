"""What each command prints, as text and as JSON, by the name of the command."""
