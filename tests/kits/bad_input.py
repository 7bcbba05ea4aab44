"""A catalogue of bad input: files, photos, definitions and commands that must be refused.

``make_all(folder)`` writes the files and returns what to type, which exit code must come
and which words the explanation must hold, so that a refusal for another reason is noticed.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from bad_commands import commands
from bad_photos import bad_files, good_scene, saved, unfit_photos

CARD = Path(__file__).resolve().parents[2] / "calibration" / "card" / "cards" / "slip.toml"


@dataclass(frozen=True)
class BadInput:
    """``argv`` as typed after "drawdown"; ``says`` words of the explanation, lower case;
    ``photo`` the file that ``open_photo`` itself must refuse, if it is one."""

    kind: str
    argv: tuple[str, ...]
    exit_code: int
    says: str
    photo: Path | None = None


def make_all(folder: Path) -> list[BadInput]:
    """Write every bad file into ``folder`` and list the whole catalogue."""
    folder.mkdir(parents=True, exist_ok=True)
    scene = good_scene()
    good = folder / "good.png"
    good.write_bytes(saved(scene, "PNG"))
    return [
        *_photo_files(folder),
        *_places(folder),
        *_unfit(folder, scene),
        *_usage(folder, str(good)),
        *_pictures(folder, str(good)),
        *_cards(folder, str(good)),
        *_shelves(folder, str(good)),
        *_drawings(folder),
        *(BadInput(*case) for case in commands(folder, str(good))),
    ]


def _photo_files(folder: Path) -> list[BadInput]:
    found = []
    for name, (content, says) in bad_files().items():
        path = folder / name
        path.write_bytes(content)
        found.append(BadInput(f"file {name}", ("match", str(path)), 6, says.lower(), path))
    return found


def _places(folder: Path) -> list[BadInput]:
    """Names that lead to no file that can be read."""
    places = {
        "missing": (folder / "nowhere.jpg", "there is no file"),
        "missing folder": (folder / "none" / "photo.jpg", "there is no file"),
        "name with a terminal code": (folder / "\x1b[31mred.jpg", "[31mred.jpg"),
        "folder": (folder, "is a folder"),
        "file as folder": (folder / "empty.jpg" / "photo.jpg", "could not be read"),
        "name too long": (folder / ("n" * 300 + ".jpg"), "could not be read"),
    }
    if hasattr(os, "mkfifo"):
        pipe = folder / "pipe.jpg"
        if not pipe.exists():
            os.mkfifo(pipe)
        places["pipe"] = (pipe, "not a file")
    if hasattr(os, "symlink"):
        loop = folder / "loop.jpg"
        if not loop.is_symlink():
            loop.symlink_to(loop)
        places["link to itself"] = (loop, "could not be read")
    if hasattr(os, "geteuid") and os.geteuid() != 0:  # root may read everything
        closed = folder / "closed.jpg"
        closed.write_bytes(b"\xff\xd8\xff")
        closed.chmod(0)
        places["closed"] = (closed, "could not be read")
    return [
        BadInput(f"photo: {kind}", (command, str(path)), 6, says, path)
        for kind, (path, says) in places.items()
        for command in ("match", "read")
        if (kind, command) != ("folder", "read")  # a folder of photos can be read
    ] + [BadInput("photo: empty folder", ("read", _sub(folder, "bare")), 6, "no photo")]


def _unfit(folder: Path, scene) -> list[BadInput]:
    found = []
    for kind, (spoil, says) in unfit_photos().items():
        path = folder / f"unfit-{kind}.png"
        path.write_bytes(saved(spoil(scene).copy(), "PNG"))
        found.append(BadInput(f"scene {kind}", ("match", str(path)), 5, says))
    return found


def _usage(folder: Path, good: str) -> list[BadInput]:
    """Commands that make no sense."""
    match = ("match", good)
    cases: list[tuple[str, tuple[str, ...], str]] = [
        ("unknown command", ("compare", good), "compare"),
        ("unknown option", (*match, "--fast"), "--fast"),
        ("no photo", ("match",), "photo"),
        ("three strips", (*match, "--strip", "1", "--strip", "2", "--strip", "1"), "3 times"),
        ("option without value", (*match, "--tolerance"), "--tolerance"),
        ("strips 1 and 1", (*match, "--strip", "1", "--strip", "1"), "as batch"),
        ("the photo as its own original", (*match, good, "--apart"), "one photo"),
        ("strip not found", (*match, "--strip", "9"), "strip 9"),
        ("strip outside the photo", (*match, "--strip", "900,900,20,50", "--strip",
            "0,80,20,50"), "outside"),
        ("only one --strip", (*match, "--strip", "0,80,20,50"), "1 time"),
        ("unknown ink", (*match, "--mix", "mud=1"), "mud"),
        ("ink named twice", (*match, "--mix", "PW6=1", "--mix", "PW6=2"), "twice"),
        ("picture is the photo", (*match, "--picture", good), "itself"),
        ("picture as gif", (*match, "--picture", str(folder / "out.gif")), ".png"),
        ("card without a name", ("card",), "no file"),
        ("card as docx", ("card", str(folder / "card.docx")), ".docx"),
        ("card without ending", ("card", str(folder / "card")), "does not end in"),
        ("card of 5 dpi", ("card", str(folder / "card.png"), "--dpi", "5"), "--dpi"),
        ("card round", ("card", str(folder / "card.pdf"), "--shape", "round"), "round"),
        ("card on a9", ("card", str(folder / "card.pdf"), "--paper", "a9"), "a9"),
        ("definition as txt", ("card", "--definition", str(folder / "card.txt")), ".toml"),
        ("sheet on a9", ("card", str(folder / "a.pdf"), "--shape", "sheet", "--paper", "a9"), "a9"),
        ("sheet without a name", ("card", "--shape", "sheet"), "no file"),
    ]  # fmt: skip
    for value in ("nan", "-1", "0", "inf", "1000", "two"):
        cases.append((f"tolerance {value}", (*match, "--tolerance", value), "--tolerance"))
    for value in ("0", "-1", "1.5", "first"):
        cases.append((f"strip {value}", (*match, "--strip", value), "--strip"))
    for value in ("0", "-5", "nan", "inf", "some"):
        cases.append((f"batch of {value} g", (*match, "--grams", value), "--grams"))
    for value in ("white", "white=-1", "white=0", "white=x", "=3", "white=nan", "white=inf", ""):
        cases.append((f'mix "{value}"', (*match, "--mix", value), "--mix"))
    for value in ("1,2,3", "a,b,c,d", "0,0,0,50", "0,0,20,-50", "1,2,3,4in", ""):
        cases.append(
            (f'strip "{value}"', (*match, "--strip", value, "--strip", "1,1,9,9"), "--strip")
        )
    return [BadInput(f"usage: {kind}", argv, 2, says) for kind, argv, says in cases]


def _pictures(folder: Path, good: str) -> list[BadInput]:
    """Places where nothing can be written."""
    nowhere = str(folder / "none" / "out")
    return [
        BadInput("picture in no folder", ("match", good, "--picture", nowhere + ".png"), 6,
                 "folder does not exist"),
        BadInput("picture is a folder", ("match", good, "--picture", _sub(folder, "dir.png")), 6,
                 "is a folder"),
        BadInput("card in no folder", ("card", nowhere + ".pdf"), 6, "does not exist"),
        BadInput("card is a folder", ("card", _sub(folder, "dir.pdf")), 6, "is a folder"),
        BadInput("definition in no folder", ("card", "--definition", nowhere + ".toml"), 6,
                 "does not exist"),
        BadInput("sheet in no folder", ("card", nowhere + ".svg", "--shape", "sheet"), 6,
                 "does not exist"),
    ]  # fmt: skip


def _sub(folder: Path, name: str) -> str:
    (folder / name).mkdir(exist_ok=True)
    return str(folder / name)


def _cards(folder: Path, good: str) -> list[BadInput]:
    """Card definitions with one thing wrong each."""
    lines = CARD.read_text(encoding="utf-8").splitlines(keepends=True)
    whole = "".join(line for line in lines if not line.startswith("#"))
    top, _, patches = whole.partition("[[patches]]")
    markers = top[top.index("[[markers]]") :]
    first = patches.partition("[[patches]]")[0]

    def change(old: str, new: str) -> bytes:
        assert old in whole, old
        return whole.replace(old, new, 1).encode()

    lab = first[first.index("lab_d50") : first.index("]", first.index("lab_d50")) + 1]
    u_lab = first[first.index("u_lab") : first.index("]", first.index("u_lab")) + 1]
    rect = first[first.index("rect_mm") : first.index("]", first.index("rect_mm")) + 1]
    role = next(line for line in first.splitlines() if line.startswith("role"))
    cases: dict[str, tuple[bytes, str]] = {
        "empty": (b"", "empty"),
        "not TOML": (whole.encode() + b"\n[[patches\n", "toml"),
        "not text": (b"\xff\xfe\0\x81" * 50, "text"),
        "a photo": (Path(good).read_bytes(), "text"),
        "another format": (change("drawdown.card/1", "drawdown.card/9"), "format"),
        "no name": (change('name = "slip"', ""), "name"),
        "a number as name": (change('name = "slip"', "name = 7"), "name"),
        "no patches": (top.encode(), "patches"),
        "one patch": (f"{top}[[patches]]{first}".encode(), "patches"),
        "no size": (change("size_mm", "sighs_mm"), "size_mm"),
        "size as text": (change("[150.0, 65.0]", '["wide", "high"]'), "size_mm"),
        "size negative": (change("[150.0, 65.0]", "[-150.0, 65.0]"), "size_mm"),
        "size NaN": (change("[150.0, 65.0]", "[nan, 65.0]"), "size_mm"),
        "unknown key": (change("[[markers]]", "colour_of_tea = 3\n[[markers]]"), "colour_of_tea"),
        "unknown dictionary": (change("DICT_4X4_50", "DICT_9X9_9"), "dict_9x9_9"),
        "marker id 99": (change("id = 25", "id = 99"), "99"),
        "marker id twice": (change("id = 25", "id = 6"), "another marker"),
        "marker id as text": (change("id = 25", 'id = "six"'), "whole number"),
        "marker off the card": (change("[135.0, 5.0", "[235.0, 5.0"), "marker"),
        "marker over a patch": (change("[135.0, 5.0", "[60.0, 5.0"), "marker"),
        "markers a number": (whole.replace(markers, "").replace(
            "[[patches]]", "markers = 4\n[[patches]]", 1).encode(), "markers"),
        "unknown provenance": (change('"nominal"', '"guessed"'), "provenance"),
        "Lab missing": (change(lab, ""), "lab_d50"),
        "Lab of two numbers": (change(lab, "lab_d50 = [50.0, 1.0]"), "lab_d50"),
        "Lab NaN": (change(lab, "lab_d50 = [nan, 0.0, 0.0]"), "lab_d50"),
        "Lab of a neon lamp": (change(lab, "lab_d50 = [150.0, 300.0, 0.0]"), "l* 150"),
        "uncertainty negative": (change(u_lab, "u_lab = [-1.0, 1.0, 1.0]"), "u_lab"),
        "patch without place": (change(rect, ""), "rect_mm"),
        "patch off the card": (change(rect, "rect_mm = [148.0, 5.0, 9.0, 9.0]"), "card"),
        "patch of no size": (change(rect, "rect_mm = [30.0, 5.0, 0.0, 9.0]"), "rect_mm"),
        "patch role": (change(role, 'role = "mauve"'), "role"),
        "patch twice": (f"{whole}\n[[patches]]{first}".encode(), "twice"),
        "reference file missing": (
            change("[[markers]]", 'reference_file = "none.txt"\n[[markers]]'), "none.txt"),
    }  # fmt: skip
    found = [
        BadInput("card: missing", ("match", good, "--card", str(folder / "no.toml")), 6, "no file"),
        BadInput("card: a folder", ("read", good, "--card", str(folder)), 6, "folder"),
    ]
    for kind, (content, says) in cases.items():
        path = folder / f"card-{kind.replace(' ', '-')}.toml"
        path.write_bytes(content)
        found.append(BadInput(f"card: {kind}", ("match", good, "--card", str(path)), 6, says))
    return found


def _shelves(folder: Path, good: str) -> list[BadInput]:
    """Shelves with one thing wrong each."""
    head = 'format = "drawdown.shelf/1"\ntitle = "mine"\n'
    ink = '[[inks]]\nname = "sky"\n'
    curve = "[" + "0.5, " * 31 + "]"
    cases: dict[str, tuple[bytes, str]] = {
        "empty": (b"", "empty"),
        "not TOML": (b"format = \n", "toml"),
        "not text": (b"\xff\xfe\0\x81" * 50, "text"),
        "another format": (head.replace("shelf/1", "shelf/9").encode(), "format"),
        "no inks": (head.encode(), "inks"),
        "inks a number": ((head + "inks = 3\n").encode(), "inks"),
        "ink without name": ((head + f"[[inks]]\nk = {curve}\ns = {curve}\n").encode(), "name"),
        "ink without figures": ((head + ink).encode(), "starter"),
        "unknown starter": ((head + ink + 'starter = "mud"\n').encode(), "mud"),
        "k without s": ((head + ink + f"k = {curve}\n").encode(), "k and s"),
        "three numbers": ((head + ink + f"k = [1.0, 2.0, 3.0]\ns = {curve}\n").encode(), "31"),
        "negative": ((head + ink + f"k = {curve.replace('0.5', '-0.5', 1)}\ns = {curve}\n"
            ).encode(), "k"),
        "not a number": ((head + ink + f"k = {curve.replace('0.5', 'nan', 1)}\ns = {curve}\n"
            ).encode(), "k"),
        "kind": ((head + ink + f'kind = "glitter"\nk = {curve}\ns = {curve}\n').encode(),
            "glitter"),
        "strength 0": ((head + ink + 'starter = "PW6"\nstrength = 0\n').encode(), "strength"),
        "unknown key": ((head + ink + 'starter = "PW6"\nprice = 9\n').encode(), "price"),
        "same name": ((head + (ink + 'starter = "PW6"\n') * 2).encode(), "sky"),
        "file missing": ((head + ink + 'file = "none.csv"\n').encode(), "none.csv"),
    }  # fmt: skip
    found = [
        BadInput(
            "shelf: missing", ("match", good, "--shelf", str(folder / "no.toml")), 6, "no file"
        ),
        BadInput("shelf: a folder", ("match", good, "--shelf", str(folder)), 6, "folder"),
    ]
    for kind, (content, says) in cases.items():
        path = folder / f"shelf-{kind.replace(' ', '-')}.toml"
        path.write_bytes(content)
        found.append(BadInput(f"shelf: {kind}", ("match", good, "--shelf", str(path)), 6, says))
    return found


def _drawings(folder: Path) -> list[BadInput]:
    """Files that must not be written over."""
    kept = folder / "kept.toml"
    kept.write_text("measured at some cost\n", encoding="utf-8")
    return [
        BadInput("definition exists", ("card", "--definition", str(kept)), 2, "is there already")
    ]
