"""Run the command line as ``python -m optimizer``."""

from __future__ import annotations

from optimizer.cli.main import program

if __name__ == "__main__":
    program()
