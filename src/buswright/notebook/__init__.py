"""What Python asks by one name: sessions and captures with the demo as a source, and the answers of commands."""
