"""``python -m geo.cli``."""

from geo.cli import main

main()
