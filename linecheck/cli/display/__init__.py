"""What the command line shows: verdicts, tables, progress."""
