"""From YAML files to a limit file: read, merged, looked through entry by entry, with every fault at its place."""
