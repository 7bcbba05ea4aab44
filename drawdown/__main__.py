"""``python -m drawdown``, and what the installed ``drawdown`` starts."""

import sys

from drawdown.commands.support.exit_codes import INTERRUPTED


def run() -> int:
    """The program's exit code; an interrupt can be answered before the rest of it is loaded."""
    try:
        from drawdown.commands.support import interrupts

        interrupts.listen()
        from drawdown.commands.main import main

        code = main()
        interrupts.end()
        return code
    except KeyboardInterrupt:
        return INTERRUPTED
    except Exception:
        if interrupts.seen():
            return INTERRUPTED
        raise


if __name__ == "__main__":
    sys.exit(run())
