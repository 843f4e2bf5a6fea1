"""The station: its config, the interfaces to the unit, capture trust, and the runner."""
