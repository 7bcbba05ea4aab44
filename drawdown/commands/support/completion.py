"""``drawdown --completion``: teach a shell to complete with the Tab key."""

from __future__ import annotations

import os

import typer

from calibration.errors import WrongUsage

SHELLS = ("bash", "zsh", "fish", "powershell")
VARIABLE = "_DRAWDOWN_COMPLETE"

# Of our own, because names in the book hold spaces: each line is one word, quoted as bash
# wants it.
_BASH = """\
_drawdown_completion() {
    local word
    COMPREPLY=()
    while IFS= read -r word; do
        [ -n "$word" ] || continue
        [[ "$word" == *= ]] && compopt -o nospace 2>/dev/null
        COMPREPLY+=( "$(printf '%q' "$word")" )
    done < <(COMP_WORDS="${COMP_WORDS[*]}" COMP_CWORD=$COMP_CWORD \\
             _DRAWDOWN_COMPLETE=complete_bash "$1" 2>/dev/null)
}
complete -o default -F _drawdown_completion drawdown"""


def print_completion(shell: str | None) -> None:
    """Print a script that lets the Tab key complete commands and names in the book."""
    if shell is None:
        return
    if shell not in SHELLS:
        raise WrongUsage(
            f"there is no completion for {shell}",
            "each shell completes in its own way",
            f"write: drawdown --completion {SHELLS[0]} (or {', '.join(SHELLS[1:])})",
        )
    from drawdown.report.text.terminal import write_result

    if shell == "bash":
        write_result(_BASH)
    else:
        from typer.completion import get_completion_script

        write_result(
            get_completion_script(prog_name="drawdown", complete_var=VARIABLE, shell=shell)
        )
    raise typer.Exit


def prepare() -> None:
    """Make the parser answer the shell's question, when it was started to."""
    if VARIABLE in os.environ:
        from typer.completion import completion_init

        completion_init()
