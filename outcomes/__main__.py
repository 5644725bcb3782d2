"""``python -m outcomes``: the same as the command ``outcomes``."""

from outcomes.cli import main

if __name__ == "__main__":
    main()
