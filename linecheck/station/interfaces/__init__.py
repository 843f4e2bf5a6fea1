"""Ways to a unit under test: sound devices, a simulated unit. One package or file each."""
