"""The causes, some to a file: every module that defines ``CAUSES`` adds its own."""
