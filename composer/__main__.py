"""`python -m composer` is the command `glowscore`."""

from .cli import main

if __name__ == "__main__":
    raise SystemExit(main())
