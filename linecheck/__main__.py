"""``python -m linecheck`` is ``linecheck``."""

from linecheck.cli import main

main()
