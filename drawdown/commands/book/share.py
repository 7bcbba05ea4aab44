"""``drawdown book share`` and ``import``: the book, or recipes of it, as one file that opens
elsewhere."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from calibration.errors import WrongUsage
from drawdown.book.originals import Wanted, find_original, list_originals
from drawdown.book.share import importing
from drawdown.book.share.exporting import write_book_file
from drawdown.book.share.importing import RENAME, SKIP, Clash, Plan, Taken, look_through
from drawdown.book.share.manifest import FORMAT, KINDS, BookFile, gather
from drawdown.commands.book import frame
from drawdown.commands.support import book_options as opt
from drawdown.commands.support import options as shared
from drawdown.commands.support.progress import ProgressLine
from drawdown.report.text import terminal
from drawdown.report.text.book import UNDO, paragraph
from drawdown.report.text.terminal import Screen
from drawdown.wording import figures as words

_WORDS = {
    "originals": ("kept original",), "batches": ("batch", "batches"), "packets": ("packet",),
    "pulls": ("pull",), "photos": ("photo or crop", "photos and crops"),
}  # fmt: skip


def share(
    out: Annotated[Path, shared.argument("OUT.zip", "The file to write.")],
    names: Annotated[
        list[str] | None,
        shared.argument(
            "[NAME]...", "Kept originals; else the whole book.", complete=opt.originals
        ),
    ] = None,
    of: Annotated[str | None, shared.option("PERSON", "The originals of this person.")] = None,
    edition: Annotated[
        str | None,
        shared.option(
            "TEXT", "The originals and the pulls of this edition.", complete=opt.editions
        ),
    ] = None,
    without_photos: Annotated[
        bool, shared.flag("Leave the photos out; crops go along.", "--without-photos")
    ] = False,
    replace: shared.Replace = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Write the book, or some of its recipes, as one file to share."""
    shared.check_out(out, (".zip",), replace)
    with frame.opened(book) as opened:
        ids = tuple(find_original(opened, name).id for name in names or []) or None
        if of is not None:
            ids = (*(ids or ()), *(o.id for o in list_originals(opened, Wanted(owner=of))))
            if not ids:
                raise WrongUsage(f'nothing of "{of}" is in the book', "there is nothing to share",
                                 "see whose colours there are with: drawdown book list"
                                 )  # fmt: skip
        file = gather(opened, ids, edition, whole_photos=not without_photos)
        if not any(file.of(kind) for kind in KINDS):
            what = f'nothing of an edition "{edition}" is in the book' if edition else (
                "the book is empty")  # fmt: skip
            raise WrongUsage(what, "there is nothing to share",
                             "see what there is with: drawdown book list")  # fmt: skip
        size = write_book_file(out, file, opened.photos)
    data = {"file": str(out), "format": FORMAT, "size_bytes": size, "counts": file.counts,
            "photos_missing": file.missing}  # fmt: skip
    held = f"{out} holds {_counted(file.counts)}: {size / 1e6:.1f} MB."
    return frame.tell(
        json, "exported", data, lambda screen: "\n".join(paragraph(held, screen)),
        f"{len(file.missing)} photos are missing from the book and not in the file; their "
        "colours are. See drawdown book check." if file.missing else "",
    )  # fmt: skip


def _counted(counts: dict[str, int]) -> str:
    return ", ".join(words.count(n, *_WORDS[kind]) for kind, n in counts.items() if n) or "nothing"


def import_(
    file: Annotated[Path, shared.argument("FILE", "A file that `book share` wrote.")],
    rename: Annotated[
        bool,
        shared.flag("Where a name is taken, put a number behind the new one.", "--rename"),
    ] = False,
    skip: Annotated[
        bool, shared.flag("Where a name is taken, leave the new one out.", "--skip")
    ] = False,
    look: Annotated[
        bool, shared.flag("Only check the file and say what is in it.", "--look")
    ] = False,
    book: opt.BookFolder = None,
    json: shared.AsJson = False,
) -> int:
    """Take a shared file into the book; nothing is overwritten."""
    if rename and skip:
        raise WrongUsage(
            "--rename and --skip were both given",
            "only one can be done where a name is taken",
            "give one of them, or neither to be asked",
        )
    with ProgressLine() as progress, look_through(file, progress) as incoming:
        if look:
            progress("done", 1.0)
            return _tell_content(file, incoming.file, json)
        # Told before the book is made, should there be none yet.
        with frame.opened(book, create=True) as opened:
            plan = Plan(opened, incoming.file)
            clashes = plan.clashes()
            answer = RENAME if rename else SKIP if skip else None
            if answer is None and clashes:
                progress("done", 1.0)
                answers = _ask(clashes, json)
            else:
                answers = dict.fromkeys(clashes, answer or "")
            taken = importing.take_in(opened, incoming, plan, answers, progress)
            progress("done", 1.0)
    data = {
        "file": str(file),
        "added": {kind: taken.added.get(kind, []) for kind in KINDS},
        "renamed": [{"kind": k, "from": a, "to": b} for k, a, b in taken.renamed],
        "skipped": [{"kind": c.kind, "name": c.name} for c in taken.skipped],
        "already_there": taken.same,
    }
    return frame.tell(
        json, "imported", data, lambda screen: _taken_screen(taken, screen),
        UNDO if taken.count else "",
    )  # fmt: skip


def _ask(clashes: list[Clash], json: bool) -> dict[Clash, str]:
    """What to do with each name that is taken; refuses when nobody is there to be asked."""
    if json or not (terminal.is_tty(sys.stdin) and terminal.is_tty(sys.stderr)):
        shown = ", ".join(f'{c.kind} "{c.name}"' for c in clashes[:5])
        more = f" and {len(clashes) - 5} more" if len(clashes) > 5 else ""
        raise WrongUsage(
            f"the book already has another {shown}{more}",
            "nothing in the book is ever overwritten, so nothing was taken in",
            "say --rename to put a number behind the new names, or --skip to leave those out",
        )
    answers: dict[Clash, str] = {}
    for clash in clashes:
        what = f'run of the edition "{clash.name}"' if clash.kind == "pull" else (
            f'{clash.kind} "{clash.name}"')  # fmt: skip
        terminal.write_aside(f"The book already has another {what}.")
        while clash not in answers:
            question = "Take the new one in under another name (n), or skip it (s)? "
            terminal.write(question, sys.stderr)
            said = sys.stdin.readline()
            if not said:
                raise WrongUsage("no answer was given", "nothing was taken in",
                                 "run it again, or say --rename or --skip")  # fmt: skip
            letter = said.strip().lower()[:1]
            if letter in ("n", "s"):
                answers[clash] = RENAME if letter == "n" else SKIP
    return answers


def _tell_content(path: Path, file: BookFile, json: bool) -> int:
    names = {
        kind: [row["name"] for row in file.of(kind) if row["removed"] is None]
        for kind in ("originals", "batches", "packets")
    }
    data = {
        "file": str(path), "made_at": file.made_at, "counts": file.counts, **names,
        "editions": sorted({p["edition"] for p in file.pulls if p["removed"] is None}),
    }  # fmt: skip

    def text(screen: Screen) -> str:
        lines = paragraph(f"{path} of {file.made_at[:10]} is whole. It holds "
                          f"{_counted(file.counts)}.", screen)  # fmt: skip
        for title, listed in names.items():
            if listed:
                lines += terminal.wrap(", ".join(listed), screen.columns - 1, f" {title:<10}",
                                       " " * 11)  # fmt: skip
        return "\n".join(lines)

    return frame.tell(json, "book-file-content", data, text)


def _taken_screen(taken: Taken, screen: Screen) -> str:
    counts = {kind: len(names) for kind, names in taken.added.items()}
    lines = paragraph(f"Taken in: {_counted(counts)}.", screen)
    for kind, old, new in taken.renamed:
        lines += paragraph(f'The {kind} "{old}" is called "{new}" here.', screen, "   ")
    for clash in taken.skipped:
        lines += paragraph(f'The {clash.kind} "{clash.name}" was left out.', screen, "   ")
    if taken.same:
        lines += paragraph(f"{taken.same} more were in the book already, the same.", screen)
    return "\n".join(lines)
