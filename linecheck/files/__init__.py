"""Safe files: whole or not at all, locked, hashed, and read with the place of every fault.

In: paths and bytes. Out: bytes on the disk, YAML and TOML as data with places, text that is safe on a screen. It knows
nothing of audio, limits or runs.
"""
