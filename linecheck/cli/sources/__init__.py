"""What a command is to look at, and beside what."""
