"""Station configs: one TOML file a station, strictly validated."""
