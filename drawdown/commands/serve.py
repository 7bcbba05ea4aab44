"""``drawdown serve``: the page for a phone at the slab."""

from __future__ import annotations

from typing import Annotated

from drawdown.commands.support import book_options as book_opt
from drawdown.commands.support import options as opt
from drawdown.report.text import terminal

PORT = 8484


def serve(
    lan: Annotated[
        bool, opt.flag("Phones in this network may open it; else this computer alone.", "--lan")
    ] = False,
    port: Annotated[int, opt.option("N", "The port it listens on.", "--port")] = PORT,
    read_only: Annotated[
        bool, opt.flag("For a class: nothing in the book can be changed.", "--read-only")
    ] = False,
    new_key: Annotated[
        bool, opt.flag("A new link: phones that were let in before must scan again.", "--new-key")
    ] = False,
    card: opt.CardFile = None,
    shelf: opt.ShelfInUse = None,
    book: book_opt.BookFolder = None,
) -> int:
    """Judge photos from your phone: a page on this computer, with a code to scan."""
    from calibration.naming import speak
    from drawdown.page import server
    from drawdown.page.studio import Studio, spoken

    if card is not None:
        from calibration.card.toml import read_card

        read_card(card)  # a bad one is said now, not for every photo
    studio = Studio(book_opt.folder_of(book).absolute(), shelf, card, read_only)
    address = server.lan_address() if lan else "127.0.0.1"
    heard = server.listen(address, port)
    key = studio.key(new=new_key)
    link = f"http://{'localhost' if not lan else address}:{heard.getsockname()[1]}/?key={key}"
    speak(spoken)
    server.run(studio, key, heard, lambda: _tell(link, lan))
    return 0


def _tell(link: str, lan: bool) -> None:
    """The link, and its code for a phone."""
    import io

    if lan:
        import segno

        code = io.StringIO()
        segno.make(link, error="l", micro=False).terminal(code, border=2, compact=True)
        terminal.write_result(code.getvalue().rstrip("\n"))
        terminal.write_result(f"Scan this with your phone, or open {link}")
    else:
        terminal.write_result(f"Open {link}")
        terminal.write_aside("For a phone in the same network: drawdown serve --lan")
    terminal.write_aside("Stop it with Ctrl-C: no photo is lost.")
