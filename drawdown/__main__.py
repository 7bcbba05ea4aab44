"""``python -m drawdown``."""

import sys

from drawdown.commands.main import main

if __name__ == "__main__":
    sys.exit(main())
