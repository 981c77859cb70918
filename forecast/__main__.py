"""``python -m forecast``: the command line."""

from __future__ import annotations

import sys

if __name__ == "__main__":
    # Worker processes read this file too, and have no use for charts and reports.
    from forecast.cli import main

    sys.exit(main())
