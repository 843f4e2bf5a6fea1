"""Pages to look at, to file and to print: each a single HTML file that needs nothing else."""
