"""How the command line calls what can be set: parameter -> option, or the command to give."""

from __future__ import annotations

# Where the option is not simply the parameter's name: an option that may be repeated is in the
# singular, and what is a command of its own is given whole.
OPTION_NAMES = {
    "strips": "--strip",
    "steps": "--step",
    "write_card": "drawdown card --definition OUT.toml",
}


def option_name(parameter: str) -> str:
    """``card_corners`` -> ``--card-corners``."""
    return OPTION_NAMES.get(parameter, f"--{parameter.replace('_', '-')}")
