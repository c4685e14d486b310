"""Lets ``python -m robotlab`` do what ``robotlab`` does."""

from robotlab.cli import run

if __name__ == "__main__":
    run()
