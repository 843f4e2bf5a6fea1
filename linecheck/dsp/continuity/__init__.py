"""Whether a recording is continuous: holes, repeats, steps of phase and level."""
