"""How the command line calls what can be set: parameter -> option, or the command to give."""

from __future__ import annotations

# Where the option is not simply the parameter's name: an option that may be repeated is in the
# singular, and what is a command of its own is given whole.
OPTION_NAMES = {
    "add_ink": "drawdown ink add",
    "batch_grams": "--grams",
    "edit_in_book": "drawdown book edit",
    "note_added": "drawdown book batch --added",
    "read_original_again": "drawdown book edit --photo",
    "check_book": "drawdown book check",
    "edit_book": "drawdown book edit",
    "export_book": "drawdown book share",
    "fit_ink": "drawdown ink fit",
    "import_book": "drawdown book import",
    "instrument_off_de": "--instrument",
    "keep_in_book": "drawdown book keep",
    "lamps": "--lamp",
    "layers": "--layer",
    "learn_drying": "drawdown ink dry",
    "list_batches": "drawdown book list batches",
    "list_book": "drawdown book list",
    "list_packets": "drawdown book list packets",
    "match": "drawdown match",
    "match_kept": "drawdown match --kept",
    "original_photo": "--apart",
    "papers": "--paper",
    "pull_print": "drawdown book run",
    "remove_from_book": "drawdown book remove",
    "repair_book": "drawdown book check --repair",
    "scale_step": "--scale",
    "show_ink": "drawdown ink show",
    "steps": "--step",
    "strip_number": "--strip",
    "strips": "--strip",
    "undo_change": "drawdown undo",
    "write_card": "drawdown card --definition OUT.toml",
    "write_sheet": "drawdown card --shape sheet",
    "write_shelf": "drawdown ink list --write OUT.toml",
}
# What a command was called once -> what does the same now; and options that went.
MOVED = {
    "drying": "ink dry",
    "opacity": "plan covers",
    "value": "plan lighten",
    "overprint": "plan layers --pairs",
    "layers": "plan layers",
    "quantity": "plan amount",
    "sheet": "card --shape sheet",
    "shelf": "ink list --full",
    "completion": "--completion",
    "ink learnt": "ink list --learnt",
    "ink undo": "undo",
    "book remake": "book mix",
    "book amend": "book edit",
    "book correct": "book edit",
    "book batches": "book list batches",
    "book packets": "book list packets",
    "book log": "book list changes",
    "book added": "book batch",
    "book story": "book batch",
    "book put-by": "book store",
    "book take": "book use",
    "book pull": "book run",
    "book drift": "book run",
    "book labels": "book print",
    "book recipe-sheet": "book print --recipe",
    "book export": "book share",
    "book undo": "undo",
    "book redo": "undo --redo",
}
MOVED_OPTIONS = {
    "--slab": "--batch",
    "--log": "--batch",
    "--batch-grams": "--grams",
    "--scale-step": "--scale",
    "--strip-number": "--strip",
    "--dry-number": "--strip",
    "--original": "--strip",
    "--ink": "--added",
}


def option_name(parameter: str) -> str:
    """``card_corners`` -> ``--card-corners``."""
    return OPTION_NAMES.get(parameter, f"--{parameter.replace('_', '-')}")
