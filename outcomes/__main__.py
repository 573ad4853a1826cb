"""Run the command line with ``python -m outcomes``."""

from outcomes.cli import entry_point

if __name__ == "__main__":
    entry_point()
