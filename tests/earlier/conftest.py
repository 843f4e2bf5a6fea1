"""The capture sets here are data of the tests, and no tests themselves."""

collect_ignore = ["files"]
