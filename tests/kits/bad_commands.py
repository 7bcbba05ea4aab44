"""Bad input for the commands beyond ``match`` and ``read``: part of the catalogue of bad_input.

Kinds for which a photo would have to be measured first are few: they cost a second each.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

SKY = ("--layer", "sky: white 80, PB15:3 5, base 15")
SUN = ("--layer", "sun: PY74 30, base 70")
AREA = ("plan", "amount", "--area-cm2", "100")

Case = tuple[str, tuple[str, ...], int, str]  # kind, as typed, exit code, words of the answer


def commands(folder: Path, good: str) -> Iterator[Case]:
    """Everything that these commands must refuse; ``good`` is a photo that can be judged."""
    text = folder / "notes.txt"
    text.write_text("sky 80, blue 5, and a little base\n", encoding="utf-8")
    yield from _photos(folder, good, str(text))
    yield from _opacity(good)
    yield from _value(good)
    yield from _layers(folder, good)
    yield from _quantity(folder, good)
    yield from _ink(folder, good)
    yield from _book(folder, good)
    yield from _drawn(folder, good)


def _photos(folder: Path, good: str, text: str) -> Iterator[Case]:
    """What is no photo, for each command that takes one."""
    gone = str(folder / "nowhere.jpg")
    more: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
        "opacity": (("plan", "covers"), ()),
        "value": (("plan", "lighten"), ()),
        "overprint": (("plan", "layers"), ()),
        "quantity": (("plan", "amount"), ("--width-mm", "200")),
        "ink": (("ink", "fit"), ("--step", "1=alone")),
        "book": (("book", "keep"), ("--name", "Tide blue")),
    }
    for group, (start, end) in more.items():
        yield f"{group}: missing photo", (*start, gone, *end), 6, "there is no file"
        if group != "book":  # there a folder is kept whole
            yield f"{group}: folder as photo", (*start, str(folder), *end), 6, "is a folder"
        yield f"{group}: text as photo", (*start, text, *end), 6, "not a photo"
        if group not in ("overprint", "quantity"):  # there the photo may be left out
            yield f"{group}: no photo", start, 2, "photo was not given"
        if group != "quantity":
            yield f"{group}: text as card", (*start, good, *end, "--card", text), 6, "toml"
    for group in ("opacity", "value", "overprint"):
        typed = (*more[group][0], good, "--picture", good)
        yield f"{group}: picture is the photo", typed, 2, "itself"


def _opacity(good: str) -> Iterator[Case]:
    for number, says in (("0", "from 1"), ("-1", "from 1"), ("first", "names no strip")):
        yield (
            f"opacity: base strip {number}",
            ("plan", "covers", good, "--base-strip", number),
            2,
            says,
        )
    yield "opacity: no bar", ("plan", "covers", good), 5, "crosses a black bar"
    yield "opacity: unknown option", ("plan", "covers", good, "--gloss"), 2, "--gloss"


def _value(good: str) -> Iterator[Case]:
    value = ("plan", "lighten", good)
    for to in ("0", "10", "nan", "-3", "light"):
        yield f"value: to {to}", (*value, "--to", to), 2, "--to is"
    for option, given in (("--over", "2"), ("--mix", "white=1"),
                          ("--grams", "5"), ("--shelf", "my.toml")):  # fmt: skip
        yield f"value: {option} alone", (*value, option, given), 2, "without --to"
    to = (*value, "--to", "9")
    yield "value: strip 0", (*to, "--strip", "0"), 2, "from 1"
    yield "value: over 0", (*to, "--over", "0"), 2, "from 1"
    yield "value: 0 g", (*to, "--grams", "0"), 2, "above 0"
    yield "value: unknown ink", (*to, "--mix", "mud=1"), 2, "mud"
    yield "value: ink twice", (*to, "--mix", "white=1", "--mix", "white=2"), 2, "twice"
    yield "value: strip not found", (*to, "--strip", "9"), 2, "strip 9"


def _layers(folder: Path, good: str) -> Iterator[Case]:
    for command in ("overprint", "layers"):
        plan = ("plan", "layers", *(("--pairs",) if command == "overprint" else ()))
        two = (*plan, *SKY, *SUN)
        yield f"{command}: nothing", plan, 2, "no --layer"
        yield f"{command}: one layer", (*plan, *SKY), 2, "given once"
        yield f"{command}: same name", (*plan, *SKY, *SKY), 2, "two layers"
        yield f"{command}: paper of another kind", (*two, "--paper", "a4"), 2, "paper's colour"
        shelf = str(folder / "no.toml")
        yield f"{command}: missing shelf", (*two, "--shelf", shelf), 6, "there is no file"
    # How layers and papers are read is the same for both.
    for text, says in (
        ("", "no ink"), ("sky:", "no ink"), ("sky: white", "its amount"),
        ("sky: white 0", "its amount"), ("sky: white -1", "its amount"), ("sky: white nan", "nan"),
        ("sky: white=80 PB15:3=5", "its amount"), ("sky: mud 1", "mud"),
        ("sky: white 1, white 2", "twice"), ("sky: white 1, film thin", "thin"),
        ("sky: white 1, film 0", "its amount"), ("sky: white 1, film 999", "ordinary strip"),
        ("s" * 60 + ": white 1", "60 letters"),
    ):  # fmt: skip
        yield f'overprint: layer "{text}"', ("plan", "layers", "--layer", text, *SUN), 2, says
    for paper in ("", "white", "95,0", "nan,0,0", "200,0,0"):
        typed = ("plan", "layers", *SKY, *SUN, "--paper", paper)
        yield f'overprint: paper "{paper}"', typed, 2, "paper's colour"
    for order in ("", "sky", "sky, sky", "sky, sun, moon"):
        typed = ("plan", "layers", *SKY, *SUN, "--order", order)
        yield f'layers: order "{order}"', typed, 2, "--order"
    yield "layers: order in pairs", ("plan", "layers", "--pairs", "--order", "a"), 2, "--order"
    for option, given in (
        ("--on-top", "across"), ("--strip", "1,1,20,60"), ("--at", "1,1,9,9"),
        ("--card", "my.toml"), ("--card-corners", "1,1 9,1 9,9 1,9"),
    ):  # fmt: skip
        words = ("plan", "layers", *SKY, *SUN, option, given)
        yield f"overprint: {option} without a photo", words, 2, "belongs to a photo"
    photo = ("plan", "layers", good)
    yield "overprint: on top up", (*photo, "--on-top", "up"), 2, "upright or across"
    yield "overprint: photo and paper", (*photo, "--paper", "95,0,2"), 2, "with a photo"
    yield "overprint: one strip", (*photo, "--strip", "1,1,20,60"), 2, "1 time"
    yield "overprint: only where", (*photo, "--at", "1,1,20,60"), 2, "without --strip"
    yield "overprint: top not said", (*photo, *SKY, *SUN), 2, "on top"
    yield "overprint: one layer seen", (*photo, *SKY, "--on-top", "across"), 2, "takes 2 layers"
    yield "overprint: no crossing", photo, 5, "lies across another"


def _quantity(folder: Path, good: str) -> Iterator[Case]:
    yield "quantity: nothing", ("plan", "amount"), 2, "--area-cm2"
    for area in ("0", "-5", "nan", "inf", "1e30", "large"):
        typed = ("plan", "amount", "--area-cm2", area)
        yield f"quantity: area {area}", typed, 2, "--area-cm2 is"
    yield "quantity: no width", ("plan", "amount", good), 2, "--width-mm is missing"
    for width in ("0", "-3", "nan", "1e9"):
        typed = ("plan", "amount", good, "--width-mm", width)
        yield f"quantity: {width} mm", typed, 2, "--width-mm is"
    both = ("plan", "amount", good, "--width-mm", "200", "--area-cm2", "100")
    yield "quantity: picture and area", both, 2, "not both"
    for option, value, says in (
        ("--prints", "0", "--prints is 0"), ("--prints", "1.5", "whole number"),
        ("--prints", "1000000", "100000"), ("--way", "gravure", "relief or litho"),
        ("--film-weight", "0", "range of two"), ("--film-weight", "9-4", "range of two"),
        ("--film-weight", "4;5", "range of two"), ("--film-weight", "", "range of two"),
        ("--used", "18", "grams and prints"), ("--used", "18/0", "grams and prints"),
        ("--used", "", "grams and prints"), ("--waste", "-5", "range of two"),
        ("--stays", "much", "range of two"), ("--left", "-1", "--left is"),
        ("--left", "nan", "--left is"), ("--mix", "mud=1", "mud"), ("--mix", "white", "--mix"),
        ("--shelf", "my.toml", "without --mix"), ("--picture", "x.png", "picture of the block"),
    ):  # fmt: skip
        yield f'quantity: {option} "{value}"', (*AREA, option, value), 2, says
    yield "quantity: --light alone", (*AREA, "--light"), 2, "belong to a picture"
    used = (*AREA, "--used", "18/20", "--film-weight", "5")
    yield "quantity: used and film", used, 2, "both given"
    from PIL import Image

    flat = folder / "flat.png"
    Image.new("L", (60, 40), 120).save(flat)
    yield "quantity: one grey", ("plan", "amount", str(flat), "--width-mm", "60"), 5, "one shade"


def _ink(folder: Path, good: str) -> Iterator[Case]:
    gone = str(folder / "no.toml")
    yield "ink: unknown command", ("ink", "mix"), 2, '"mix"'
    yield "ink: list missing shelf", ("ink", "list", "--shelf", gone), 6, "no file"
    for command in ("show", "remove"):
        yield f"ink: {command} nothing", ("ink", command), 2, "was not given"
        yield f"ink: {command} unknown", ("ink", command, "mud"), 2, "shelf"
    yield "ink: add nothing", ("ink", "add"), 2, "no ink was named"
    yield "ink: add unknown", ("ink", "add", "mud"), 2, "mud"
    for option, value, says in (
        ("--strength", "0", "--strength is 0"), ("--strength", "nan", "--strength is nan"),
        ("--kind", "glitter", "glitter"), ("--name", "", "name of an ink"),
        ("--name", "a=b", "name of an ink"),
    ):  # fmt: skip
        yield f'ink: add {option} "{value}"', ("ink", "add", "PW6", option, value), 2, says
    two = ("ink", "add", "PW6", "PB15:3", "--name", "mine")
    yield "ink: one name for two", two, 2, "2 pigments"
    figures = ("ink", "add", "--figures")
    yield "ink: missing figures", (*figures, str(folder / "no.csv")), 6, "there is no file"
    yield "ink: text as figures", (*figures, str(folder / "notes.txt")), 6, "first line"
    fit = ("ink", "fit", good)
    yield "ink: fit without steps", fit, 2, "no --step"
    for step, says in (
        ("", "--step"), ("1", "--step"), ("1=thick", "--step"), ("0=alone", "from 1"),
        ("1=white:0", "leaves no ink"), ("1=white:200", "leaves no ink"),
        ("1=white:nan", "--step"),
    ):  # fmt: skip
        yield f'ink: step "{step}"', (*fit, "--step", step), 2, says
    twice = (*fit, "--step", "1=alone", "--step", "1=bar")
    yield "ink: strip named twice", twice, 2, "two --step"
    step = (*fit, "--step", "1=alone")
    yield "ink: fit unknown pigment", (*step, "--pigment", "mud"), 2, "mud"
    yield "ink: fit unknown kind", (*step, "--kind", "glitter"), 2, "glitter"


def _book(folder: Path, good: str) -> Iterator[Case]:
    book = ("--book", str(folder / "no-book"))
    yield "book: unknown command", ("book", "burn"), 2, '"burn"'
    for typed in (("list",), ("show", "x"), ("find", good), ("mix", "x", "--grams", "9"),
                  ("list", "batches"), ("batch", "x"), ("list", "changes"), ("run",),
                  ("check",)):  # fmt: skip
        yield (
            f"book: {' '.join(typed[:2])} without a book",
            ("book", *typed, *book),
            6,
            "there is no book",
        )
    text = str(folder / "notes.txt")
    yield "book: a file as book", ("book", "list", "--book", text), 2, "is a file"
    keep = ("book", "keep", good, *book)
    yield "book: keep without name", keep, 2, "--name was not given"
    named = (*keep, "--name", "Tide blue")
    yield "book: empty name", (*keep, "--name", ""), 2, "is not a name"
    for option, value, says in (
        ("--strip", "0", "from 1"), ("--strip", "two", "names no strip"),
        ("--mix", "white=0", "--mix"), ("--mix", "white", "--mix"), ("--grams", "5", "--mix"),
        ("--date", "31.12.2030", "calendar"), ("--date", "2030-02-30", "calendar"),
    ):  # fmt: skip
        yield f'book: keep {option} "{value}"', (*named, option, value), 2, says
    weighed = (*named, "--mix", "white=1", "--grams", "nan")
    yield "book: keep nan g", weighed, 2, "--grams is"
    for command in ("store", "mix"):
        yield f"book: {command} no grams", ("book", command, "x", *book), 2, "--grams was not"
    yield "book: list by taste", ("book", "list", "--sort", "taste", *book), 2, "--sort is"
    yield "book: none listed", ("book", "list", "--most", "0", *book), 2, "--most is 0"


def _drawn(folder: Path, good: str) -> Iterator[Case]:
    """Pictures that cannot be saved, and sources that are not there: nothing is written."""
    nowhere, jpg = str(folder / "none" / "out.png"), str(folder / "out.gif")
    shown = {
        "opacity": ("plan", "covers", good), "value": ("plan", "lighten", good),
        "overprint": ("plan", "layers", *SKY, *SUN, "--pairs"),
        "layers": ("plan", "layers", *SKY, *SUN),
        "quantity": ("plan", "amount", good, "--width-mm", "200"),
    }  # fmt: skip
    for group, typed in shown.items():
        yield f"{group}: picture in no folder", (*typed, "--picture", nowhere), 6, "does not exist"
        yield f"{group}: picture as gif", (*typed, "--picture", jpg), 2, ".png"
    gone, definition = str(folder / "none" / "card.svg"), str(folder / "new.toml")
    both = ("card", gone, "--definition", definition)
    yield "card and definition: no folder", both, 6, "does not exist"
    for source in (str(folder / "no.csv"), str(folder)):
        kind = "card: enrol a folder" if source == str(folder) else "card: enrol what is missing"
        says = "is a folder" if source == str(folder) else "there is no file"
        yield kind, ("card", "--enrol", source, "--definition", definition), 6, says
