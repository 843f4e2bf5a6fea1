"""A simulated unit with faults to choose, for demonstration and tests."""
