"""What kinds share: finding steady tones and steps, sets of tones, sweeps, and readings made of fits."""
