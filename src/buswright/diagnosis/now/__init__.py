"""How everything is at one moment, live or recorded: the words, the severities and the levels that screens draw."""
