"""``python -m pitmap``."""

from .cli import main

main()
