"""How the command line calls what can be set: parameter -> option, or the command to give."""

from __future__ import annotations

# Where the option is not simply the parameter's name: an option that may be repeated is in the
# singular, and what is a command of its own is given whole.
OPTION_NAMES = {
    "add_ink": "drawdown ink add",
    "check_book": "drawdown book check",
    "export_book": "drawdown book export",
    "fit_ink": "drawdown ink fit",
    "import_book": "drawdown book import",
    "keep_in_book": "drawdown book keep",
    "lamps": "--lamp",
    "layers": "--layer",
    "learn_drying": "drawdown drying",
    "learnt_undo": "drawdown ink learnt --undo",
    "list_batches": "drawdown book batches",
    "list_book": "drawdown book list",
    "list_packets": "drawdown book packets",
    "match": "drawdown match",
    "pull_print": "drawdown book pull",
    "remove_from_book": "drawdown book remove",
    "repair_book": "drawdown book check --repair",
    "show_ink": "drawdown ink show",
    "steps": "--step",
    "strips": "--strip",
    "undo_ink": "drawdown ink undo",
    "write_card": "drawdown card --definition OUT.toml",
    "write_shelf": "drawdown shelf --write OUT.toml",
}


def option_name(parameter: str) -> str:
    """``card_corners`` -> ``--card-corners``."""
    return OPTION_NAMES.get(parameter, f"--{parameter.replace('_', '-')}")
