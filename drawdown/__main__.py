"""``python -m drawdown``."""

import sys

from drawdown.cli import main

if __name__ == "__main__":
    sys.exit(main())
