"""The verdict in letters large enough to read from across the table.

The letters are drawn on a grid of 5 by 5 and shown with half blocks, two grid rows to a
line of text.
"""

from __future__ import annotations

from drawdown.report.terminal import Screen, paint

_ROWS = 5
# Five rows of a sign, from top to bottom.
_SIGNS = {
    "A": (" ### ", "#   #", "#####", "#   #", "#   #"),
    "C": (" ####", "#    ", "#    ", "#    ", " ####"),
    "D": ("#### ", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#### ", "#    ", "#####"),
    "H": ("#   #", "#   #", "#####", "#   #", "#   #"),
    "I": ("#####", "  #  ", "  #  ", "  #  ", "#####"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#####"),
    "M": ("#   #", "## ##", "# # #", "#   #", "#   #"),
    "N": ("#   #", "##  #", "# # #", "#  ##", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "R": ("#### ", "#   #", "#### ", "#  # ", "#   #"),
    "S": (" ####", "#    ", " ### ", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  "),
    "V": ("#   #", "#   #", " # # ", " # # ", "  #  "),
    "=": ("     ", "#####", "     ", "#####", "     "),
    "≠": ("   # ", "#####", "  #  ", "#####", " #   "),
    "?": (" ### ", "#   #", "  ## ", "     ", "  #  "),
    "×": ("#   #", " # # ", "  #  ", " # # ", "#   #"),
    " ": ("  ", "  ", "  ", "  ", "  "),
}
_BLOCK = {"  ": " ", "# ": "▀", " #": "▄", "##": "█"}


def letters(text: str) -> list[str]:
    """Three lines of half blocks that spell the text (capitals, no unknown signs)."""
    grid = [" ".join(_SIGNS[sign][row] for sign in text) for row in range(_ROWS)]
    grid.append(" " * len(grid[0]))
    return [
        "".join(
            _BLOCK[upper + lower] for upper, lower in zip(grid[row], grid[row + 1], strict=True)
        )
        for row in range(0, _ROWS + 1, 2)
    ]


def banner(symbol: str, lines: tuple[str, ...], style: str, screen: Screen) -> list[str]:
    """Full-width lines with the symbol and the words.

    ``lines`` are the words in capitals, broken where they may break. Where there is no room
    for block letters, or nobody to look at them, one spaced-out line stands instead.
    """
    room = screen.columns - 2
    drawn: list[str] = []
    for number, line in enumerate(lines):
        left = letters(f"{symbol} " if number == 0 else "    ")
        right = letters(line)
        drawn.append("")
        drawn += [f"{a:9}{b}".rstrip() for a, b in zip(left, right, strict=True)]
    if screen.large and max(map(len, drawn)) <= room:
        rows = [*(f" {row}" for row in drawn), ""]
    else:
        words = " ".join(lines)
        spaced = "   ".join(" ".join(word) for word in words.split())
        line = f" {symbol}  {spaced}"
        rows = [line if len(line) <= screen.columns else f" {symbol}  {words}"]
        if not screen.colour:  # without a coloured ground, rules set the verdict apart
            rule = "=" * screen.columns
            return [rule, *rows, rule]
    return [paint(row.ljust(screen.columns), style, screen.colour).rstrip() for row in rows]
