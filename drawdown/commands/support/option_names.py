"""How the command line calls what can be set: parameter -> option, or the command to give."""

from __future__ import annotations

# Where the option is not simply the parameter's name: an option that may be repeated is in the
# singular, and what is a command of its own is given whole.
OPTION_NAMES = {
    "add_ink": "drawdown ink add",
    "fit_ink": "drawdown ink fit",
    "layers": "--layer",
    "learn_drying": "drawdown drying",
    "learnt_undo": "drawdown ink learnt --undo",
    "match": "drawdown match",
    "show_ink": "drawdown ink show",
    "steps": "--step",
    "strips": "--strip",
    "undo_ink": "drawdown ink undo",
    "write_card": "drawdown card --definition OUT.toml",
}


def option_name(parameter: str) -> str:
    """``card_corners`` -> ``--card-corners``."""
    return OPTION_NAMES.get(parameter, f"--{parameter.replace('_', '-')}")
