"""What is written of a run: the result as JSON, JUnit, the log."""
