"""The symptoms, some to a file: every module that defines ``SYMPTOMS`` adds its own."""
