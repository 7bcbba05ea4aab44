"""How the command line calls what can be set: parameter -> option, or the command to give."""

from __future__ import annotations

# Names of parameters are those of the Python interface, in the plural where several may be given.
OPTION_NAMES = {
    "strips": "--strip",
    "card": "--card",
    "card_corners": "--card-corners",
    "picture": "--picture",
    "shelf": "--shelf",
    "mix": "--mix",
    "book": "--book",
    "apart": "--apart",
}
