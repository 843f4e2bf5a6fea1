"""When a stimulus sounds: tones, marks, crossings of thresholds."""
