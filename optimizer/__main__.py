"""Run the command line as ``python -m optimizer``."""

from __future__ import annotations

import sys

from optimizer.cli.main import main

if __name__ == "__main__":
    sys.exit(main())
