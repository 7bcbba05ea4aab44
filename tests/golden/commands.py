"""Every command whose answer is kept in this folder, as typed after ``drawdown``.

A session is a list of commands that share one studio, in order; the commands of a session that
is not in ``STORIES`` do not depend on each other. They run in a folder that holds
``fixtures/photos``, ``fixtures/result.png`` and ``inputs`` (see freeze.py).
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import dataclass

PHOTOS = ("base", "dark", "ladder", "match", "no-match", "too-close", "unusable")
P = "fixtures/photos"
FRAME, SLIP = f"{P}/frame-measured.toml", f"{P}/slip-measured.toml"
MATCH, NO_MATCH, DARK, CLOSE = (f"{P}/{n}.jpg" for n in ("match", "no-match", "dark", "too-close"))
MIX = "--mix 'white 97, PB15:3 2, PG7 1'"
LAYERS = (
    "--layer 'sky: white 80, PB15:3 5, base 15' --layer 'breast: PO73 30, base 70' "
    "--layer 'key: black 1, film 2'"
)
AREA = "plan amount --area-cm2 165 --prints 30 --mix 'white 80, PB15:3 5, base 15' --left 12"
FIT = (
    f"ink fit {P}/ladder.jpg --card {SLIP} --pigment PO73 --step 1=alone --step 2=bar "
    "--step 3=white:10 --step 4=base:20"
)
STORIES = ("book", "inks", "slab", "scale", "drying", "cards")
GROUPS = {
    "": "match read watch card demo guide undo ink plan book",
    "ink": "list show add fit dry remove",
    "plan": "layers amount lighten covers",
    "book": "keep list show find mix batch store use print share import run edit remove check",
}


@dataclass(frozen=True)
class Command:
    """``files`` are what it writes, kept with its answer. ``quick``: the tests run it, too."""

    session: str
    name: str
    line: str
    files: tuple[str, ...] = ()
    quick: bool = True

    @property
    def argv(self) -> list[str]:
        return shlex.split(self.line)


def all_commands() -> list[Command]:
    found = [
        *_help(), *_photos(), *_options(), *_plans(), *_pictures(), *_wrong(),
        *_story("book", BOOK), *_story("inks", INKS), *_story("slab", SLAB),
        *_story("scale", SCALE), *_story("drying", DRYING), *_story("cards", CARDS),
    ]  # fmt: skip
    places = [(c.session, c.name) for c in found]
    if len(set(places)) != len(places):
        raise ValueError("two commands of one name")
    return found


def _help() -> Iterator[Command]:
    yield Command("help", "drawdown", "--help")
    yield Command("help", "nothing", "")
    yield Command("help", "version", "--version")
    for group, names in GROUPS.items():
        for name in names.split():
            yield Command("help", f"{group} {name}".strip().replace(" ", "-"),
                          f"{group} {name} --help".strip())  # fmt: skip


def _photos() -> Iterator[Command]:
    """Every photo: judged and read, text and JSON, with the card as drawn and as measured."""
    for name in PHOTOS:
        card = FRAME if name == "base" else SLIP
        for command in ("match", "read"):
            for kind, more in (("drawn", ""), ("measured", f" --card {card}")):
                line = f"{command} {P}/{name}.jpg{more}"
                quick = kind == "measured" or name == "no-match"
                yield Command("photos", f"{command}-{name}-{kind}", line, quick=quick)
                yield Command("photos", f"{command}-{name}-{kind}-json", f"{line} --json",
                              quick=quick and command == "match")  # fmt: skip


def _options() -> Iterator[Command]:
    """Options of match and read, and the other commands that take a photo."""
    lines = {
        "match-mix": f"match {NO_MATCH} {MIX} --grams 250",
        "match-mix-measured": f"match {NO_MATCH} --card {SLIP} {MIX} --grams 250",
        "match-too-close-mix": f"match {CLOSE} --card {SLIP} --mix 'PO73 31, PY83 9' "
        "--mix 'white 69' --grams 80",
        "match-base-mix": f"match {P}/base.jpg --card {FRAME} --mix 'PB15:3 5, PV19 1.2' "
        "--mix 'base 94' --grams 40",
        "match-dark-mix": f"match {DARK} --card {SLIP} --mix 'PBk9 2.2, PB15:1 1.6' "
        "--mix 'PV19 0.5, PW6 0.12' --grams 30",
        "match-other-inks": f"match {NO_MATCH} --card {SLIP} --other-inks",
        "match-wet-batch": f"match {NO_MATCH} --card {SLIP} --wet batch",
        "match-wet-original": f"match {MATCH} --card {SLIP} --wet original",
        "match-wet-both": f"match {NO_MATCH} --card {SLIP} --wet original --wet batch",
        "match-swapped": f"match {NO_MATCH} --card {SLIP} --strip 2 --strip 1",
        "match-third-strip": f"match {P}/ladder.jpg --card {SLIP} --strip 3 --strip 4",
        "match-pulled-alike": f"match {NO_MATCH} --card {SLIP} --pulled-alike {MIX}",
        "match-pulled-alike-base": f"match {P}/base.jpg --card {FRAME} --pulled-alike",
        "match-loose": f"match {CLOSE} --card {SLIP} --tolerance 6",
        "match-strict": f"match {MATCH} --card {SLIP} --tolerance 0.5",
        "match-by-hand": f"match {NO_MATCH} --card {SLIP} --strip 85.3,114.8,12,22 "
        "--strip 116.3,115.3,12,22",
        "match-by-hand-px": f"match {NO_MATCH} --card {SLIP} --strip 1460,1000,80,200px "
        "--strip 1710,1000,80,200px",
        "match-corners": f"match {NO_MATCH} --card {SLIP} "
        "--card-corners '774,238 1914,144 1954,642 783,716'",
        "match-original-photo": f"match {MATCH} {NO_MATCH} --card {SLIP} --apart "
        "--strip 1 --strip 2",
        "match-original-photo-drawn": f"match {NO_MATCH} {MATCH} --apart",
        "read-corners": f"read {NO_MATCH} --card-corners '774,238 1914,144 1954,642 783,716'",
        "read-by-hand": f"read {NO_MATCH} --card {SLIP} --strip 85.3,114.8,12,22",
        "read-folder": f"read {P}",
        "opacity": f"plan covers {NO_MATCH}",
        "opacity-measured": f"plan covers {NO_MATCH} --card {SLIP}",
        "opacity-base-strip": f"plan covers {P}/ladder.jpg --card {SLIP} --base-strip 4",
        "value": f"plan lighten {NO_MATCH}",
        "value-to": f"plan lighten {NO_MATCH} --to 8.6 --grams 50",
        "value-to-mix": f"plan lighten {NO_MATCH} --card {SLIP} --to 8.6 --grams 50 {MIX}",
        "value-over": f"plan lighten {CLOSE} --card {SLIP} --to 7.5 --strip 2 --over 1",
        "ink-fit": FIT,
        "ink-fit-drawn": FIT.replace(f"--card {SLIP} ", ""),
        "overprint-photo": "plan layers inputs/cross.jpg --on-top across --card inputs/cross.toml "
        "--layer 'rose: PR254 8, base 92' --layer 'sky: PB15:3 3, white 97'",
        "overprint-photo-vague": "plan layers inputs/cross.jpg --on-top across "
        "--card inputs/cross.toml",
        "quantity-picture": "plan amount fixtures/result.png --width-mm 200 --prints 20",
    }  # fmt: skip
    late = ("match-original-photo-drawn", "read-corners", "ink-fit-drawn", "match-strict",
            "match-loose", "match-pulled-alike-base", "match-dark-mix", "read-folder")  # fmt: skip
    for name, line in lines.items():
        quick = name not in late
        yield Command("options", name, line, quick=quick)
        yield Command("options", f"{name}-json", f"{line} --json",
                      quick=quick and not name.startswith(("match", "read")))  # fmt: skip


def _plans() -> Iterator[Command]:
    """Commands that need no photo."""
    lines = {
        "shelf": "ink list --full",
        "ink-list": "ink list",
        "ink-show-blue": "ink show PB15:3",
        "ink-show-white": "ink show white",
        "layers": f"plan layers {LAYERS}",
        "layers-order": f"plan layers {LAYERS} --order 'key, sky, breast' --wet-on-wet "
        "--paper 92,1,8",
        "overprint": f"plan layers {LAYERS} --pairs",
        "overprint-wet": f"plan layers {LAYERS} --pairs --wet-on-wet --paper 92,1,8",
        "quantity": AREA,
        "quantity-used": "plan amount --area-cm2 165 --prints 30 --used 18/20",
        "quantity-litho": "plan amount --area-cm2 900 --prints 60 --way litho --stays 4 --waste 8",
        "quantity-film": "plan amount --area-cm2 100 --film-weight 4-9 --left 40",
    }
    for name, line in lines.items():
        yield Command("plans", name, line)
        yield Command("plans", f"{name}-json", f"{line} --json")
    for shell in ("bash", "zsh", "fish", "powershell"):
        yield Command("plans", f"completion-{shell}", f"--completion {shell}")


def _pictures() -> Iterator[Command]:
    lines = {
        "match-match": f"match {MATCH} --card {SLIP}",
        "match-no-match": f"match {NO_MATCH} {MIX} --grams 250",
        "match-base": f"match {P}/base.jpg --card {FRAME}",
        "match-two-photos": f"match {MATCH} {NO_MATCH} --card {SLIP} --apart --strip 1 --strip 2",
        "read-dark": f"read {DARK} --card {SLIP}",
        "opacity": f"plan covers {NO_MATCH}",
        "value": f"plan lighten {NO_MATCH}",
        "value-to": f"plan lighten {NO_MATCH} --to 8.6 --grams 50",
        "layers": f"plan layers {LAYERS}",
        "overprint": f"plan layers {LAYERS} --pairs",
        "overprint-photo": "plan layers inputs/cross.jpg --on-top across --card inputs/cross.toml "
        "--layer 'rose: PR254 8, base 92' --layer 'sky: PB15:3 3, white 97'",
        "quantity": "plan amount fixtures/result.png --width-mm 200 --prints 20",
        "ink-show": "ink show PB15:3",
    }
    for name, line in lines.items():
        yield Command("pictures", name, f"{line} --picture {name}.png", (f"{name}.png",))


def _wrong() -> Iterator[Command]:
    """Wrong use, bad files, missing strips."""
    lines = {
        "unknown-command": f"compare {MATCH}",
        "unknown-option": f"match {MATCH} --fast",
        "no-photo": "match",
        "three-strips": f"match {MATCH} --strip 1 --strip 2 --strip 1",
        "no-value": f"match {MATCH} --tolerance",
        "same-strip": f"match {MATCH} --strip 1 --strip 1",
        "its-own-original": f"match {MATCH} {MATCH} --apart",
        "strip-missing": f"match {MATCH} --strip 7",
        "strip-missing-json": f"match {MATCH} --strip 7 --json",
        "strip-outside": f"match {MATCH} --strip 900,900,20,50 --strip 0,80,20,50",
        "one-strip": f"match {MATCH} --strip 85,100,12,22",
        "strip-words": f"match {MATCH} --strip a,b,c,d --strip 1,1,9,9",
        "strip-zero": f"match {MATCH} --strip 0",
        "unknown-ink": f"match {MATCH} --mix 'mud 1'",
        "ink-twice": f"match {MATCH} --mix 'PW6 1, white 2'",
        "mix-without-parts": f"match {MATCH} --mix white",
        "tolerance-nan": f"match {MATCH} --tolerance nan",
        "grams-negative": f"match {MATCH} --grams -5",
        "picture-is-photo": f"match {MATCH} --picture {MATCH}",
        "picture-gif": f"match {MATCH} --picture out.gif",
        "picture-no-folder": f"plan lighten {MATCH} --picture none/out.png",
        "corners-few": f"read {MATCH} --card-corners '1,1 9,1 9,9'",
        "corners-wrong": f"read {MATCH} --card-corners '10,10 900,10 900,500 10,500'",
        "other-card": f"match {P}/base.jpg --card {SLIP}",
        "photo-missing": "match nowhere.jpg",
        "photo-folder": "match fixtures",
        "photo-text": "read inputs/notes.txt",
        "photo-empty": "match inputs/empty.jpg",
        "photo-cut-off": "match inputs/cut-off.jpg",
        "photo-without-card": "match fixtures/result.png",
        "card-missing": f"match {MATCH} --card nowhere.toml",
        "card-text": f"match {MATCH} --card inputs/notes.txt",
        "card-broken": f"match {MATCH} --card inputs/broken.toml",
        "shelf-missing": f"match {NO_MATCH} --shelf nowhere.toml",
        "shelf-broken": f"match {NO_MATCH} --shelf inputs/broken.toml",
        "folder-empty": "read inputs/bare",
        "opacity-no-bar": f"plan covers {P}/base.jpg --card {FRAME}",
        "value-strip-missing": f"plan lighten {MATCH} --to 9 --strip 9",
        "value-option-alone": f"plan lighten {MATCH} --over 2",
        "value-darker": f"plan lighten {NO_MATCH} --to 5",
        "overprint-no-crossing": f"plan layers {NO_MATCH}",
        "overprint-no-layer": "plan layers --pairs",
        "layers-order": f"plan layers {LAYERS} --order 'sky, moon'",
        "layer-text": "plan layers --layer sky --layer 'sun: PY74 1'",
        "quantity-nothing": "plan amount",
        "quantity-no-width": "plan amount fixtures/result.png",
        "fit-no-step": f"ink fit {P}/ladder.jpg",
        "fit-strip-missing": f"ink fit {P}/ladder.jpg --step 9=alone",
        "fit-bad-step": f"ink fit {P}/ladder.jpg --step 1=thick",
        "ink-unknown": "ink show mud",
        "ink-remove-unknown": "ink remove mud --yes",
        "ink-nothing-learnt": "undo",
        "slab-unknown": f"match {MATCH} --batch May --added 'PB15:3 1 g'",
        "drying-half": f"ink dry {MATCH}",
        "drying-no-pair": "ink dry --set-aside 3",
        "no-book": "book list --book no-book",
        "no-book-json": "book show x --book no-book --json",
        "book-unknown-command": "book burn",
        "book-no-name": f"book keep {MATCH} --book no-book",
        "book-bad-day": f"book keep {MATCH} --book no-book --name x --date 31.12.2030",
        "book-import-text": "book import inputs/notes.txt --book no-book",
        "card-docx": "card card.docx",
        "card-nothing": "card",
        "card-known-missing": "card --enrol inputs/nowhere.csv --definition new.toml",
        "card-enrol-text": "card --enrol inputs/notes.txt --definition new.toml",
        "card-dpi": "card card.png --dpi 5",
        "sheet-a9": "card sheet.pdf --shape sheet --paper a9",
        "shell-unknown": "--completion tcsh",
    }
    for name, line in lines.items():
        yield Command("wrong", name, line)


def _story(session: str, lines: str) -> Iterator[Command]:
    """Steps as ``name: line``, files written behind ``->``; numbered, in order."""
    steps = [line for line in lines.strip().splitlines() if line.strip()]
    for number, step in enumerate(steps, 1):
        name, _, rest = step.strip().partition(": ")
        line, _, files = rest.partition(" -> ")
        yield Command(session, f"{number:03d}-{name}", line, tuple(files.split()))


BOOK = f"""
keep: book keep {NO_MATCH} --name 'Tide blue' {MIX} --tin PB15:3=L2041 --grams 250 --paper washi --edition Kingfisher --date 2030-05-04
keep-wet-json: book keep {CLOSE} --card {SLIP} --name Coral --wet --mix 'PO73 22, PY83 9, white 69' --note 'second sheet' --date 2030-05-06 --json
keep-without-mix: book keep {DARK} --card {SLIP} --name Night --strip 2 --edition Kingfisher --paper hosho --date 2030-06-01
keep-name-taken: book keep {MATCH} --name 'tide BLUE'
list: book list
list-json: book list --json
list-sorted: book list --sort lightness --reverse
list-edition: book list --edition Kingfisher --ink PB15:3
list-wet: book list --state wet --json
list-text: book list --text WASHI --since 2030-05-01 --until 2030-05-05
list-most: book list --most 1
show: book show tide
show-json: book show tide --json
show-ambiguous: book show x
match-kept: match {NO_MATCH} --card {SLIP} --kept tide --batch May --grams 250
added: book batch may --added 'PB15:3 2.1 g'
match-log-json: match {MATCH} --card {SLIP} --batch May --json
match-apart: match {MATCH} --card {SLIP} --kept tide --apart --strip 2
match-apart-json: match {MATCH} --card {SLIP} --kept tide --apart --strip 2 --json
match-differs: match {MATCH} --card {SLIP} --kept coral
batches: book list batches
batches-json: book list batches --json
story: book batch may --picture way.png -> way.png
story-json: book batch may --json
show-corrected: book show tide --json
put-by: book store 'Tide blue, rest' --grams 35 --batch may --where 'drawer 2' --date 2030-05-08
put-by-json: book store 'Coral, rest' --grams 12.5 --kept coral --date 2030-05-09 --json
put-by-photo: book store 'Grey blue' --grams 20 --photo {DARK} --card {SLIP} --where 'drawer 1' --mix 'black 2, PB15:1 1.6, white 10' --date 2030-05-10
packets: book list packets
packets-json: book list packets --json
packets-sorted: book list packets --sort grams --reverse --where 'drawer 2'
find: book find {MATCH} --card {SLIP} --strip 2
find-json: book find {MATCH} --card {SLIP} --strip 2 --json
find-originals: book find {NO_MATCH} --originals --tolerance 3
take: book use 'tide blue, rest' --grams 10
take-all-json: book use coral --json
take-too-much: book use 'grey blue' --grams 500
packets-used-up: book list packets --used-up
amend: book edit night --name 'Night blue' --dry --note 'read twice' --date 2030-06-02
amend-photo: book edit coral --photo {CLOSE} --card {SLIP} --dry
amend-packet: book edit grey --kind packet --where 'drawer 3' --json
correct: book edit coral --mix 'PO73 23, PY83 9, white 68' --grams 90 --why 'a little more orange' --json
show-coral: book show coral
remake: book mix tide --grams 60
remake-json: book mix tide --grams 60 --hold-back 20 --json
remake-log: book mix coral --grams 80 --batch June
story-begun: book batch june
batch-per-100: book batch june --added 'PO73 0.5 parts' --json
match-slab-log: match {CLOSE} --card {SLIP} --batch June --grams 80
story-june: book batch june
story-june-json: book batch june --json
pull-first: book run Kingfisher {MATCH} --card {SLIP} --date 2030-07-01
pull-beside: book run Kingfisher {MATCH} --card {SLIP} --strip 2 --beside 1 --date 2030-07-01 --json
pull-across: book run Kingfisher {NO_MATCH} --card {SLIP} --date 2030-07-01
pull-again: book run Kingfisher {MATCH} --card {SLIP} --strip 2 --date 2030-07-01
drift-early: book run Kingfisher
pull-4: book run Kingfisher {CLOSE} --card {SLIP} --strip 2 --beside 1 --number 7 --date 2030-07-02
pull-5: book run Kingfisher {CLOSE} --card {SLIP} --note 'new sheet' --date 2030-07-02
pull-6: book run Kingfisher {DARK} --card {SLIP} --date 2030-07-02
pull-7: book run Kingfisher {NO_MATCH} --card {SLIP} --strip 2 --beside 1 --date 2030-07-02
pull-spot: book run Kingfisher {CLOSE} --card {SLIP} --spot breast --date 2030-07-02
pull-other: book run Heron {P}/base.jpg --card {FRAME} --date 2030-07-03 --json
drift: book run Kingfisher --picture chart.png -> chart.png
drift-json: book run Kingfisher --json
drift-baseline: book run Kingfisher --baseline 7 --tolerance 4 --spot breast
drift-list: book run
drift-list-json: book run --json
labels: book print labels.pdf --size 70x37 -> labels.pdf
labels-originals: book print names.pdf 'Tide blue' coral --originals --copies 2 -> names.pdf
labels-taken: book print labels.pdf
recipe-sheet: book print tide.pdf tide coral --recipe -> tide.pdf
export: book share book.zip -> book.zip
export-some: book share coral.zip coral --without-photos --json -> coral.zip
import-look: book import book.zip --book other --look
import-look-json: book import book.zip --book other --look --json
import: book import book.zip --book other
import-again: book import book.zip --book other --json
other-list: book list --book other --json
other-story: book batch may --book other
other-drift: book run Kingfisher --book other
other-undo: undo --book other
other-keep: book keep {MATCH} --book other --name coral --date 2030-08-01
other-taken: book import coral.zip --book other
other-rename: book import coral.zip --book other --rename
other-list-again: book list --book other
remove-packet: book remove grey --yes
remove-pull: book remove Kingfisher --pull 3 --yes
remove: book remove coral --yes --json
remove-batch: book remove june --yes
list-removed: book list --removed
packets-removed: book list packets --removed --json
undo: undo
undo-json: undo --json
redo: undo --redo
undo-again: undo
log: book list changes
log-json: book list changes --json
log-text: book list changes --text kept --most 2
check: book check
check-json: book check --json
check-quick: book check --quick
list-end: book list --json
drift-end: book run --json
"""  # noqa: E501

INKS = f"""
list-empty: ink list
add: ink add PB15:3 PY83
add-strong-json: ink add PG7 --name 'my green' --strength 0.7 --json
add-taken: ink add PB15:3
add-figures: ink add --figures inputs/figures.csv --kind colour --colour-index PR122 --source 'our own readings'
add-replace: ink add PY83 --strength 1.2 --replace
list: ink list
list-json: ink list --json
show: ink show 'my green'
show-figures: ink show rose --json
fit: {FIT} --name breast-orange
fit-taken: {FIT} --name breast-orange
show-fitted: ink show breast-orange --picture breast.png -> breast.png
show-fitted-json: ink show breast-orange --json
shelf: ink list --full
shelf-write: ink list --write all.toml --json -> all.toml
match: match {NO_MATCH} --card {SLIP}
match-mix-json: match {NO_MATCH} --card {SLIP} --mix 'white 97, PB15:3 2, my green 1' --grams 250 --json
match-not-on-shelf: match {NO_MATCH} --card {SLIP} --mix 'white 97, PV23 1'
layers: plan layers --layer 'sky: white 80, PB15:3 5, base 15' --layer 'breast: breast-orange 30, base 70'
value: plan lighten {CLOSE} --card {SLIP} --to 8 --mix 'breast-orange 22, PY83 9, white 69'
other-shelf: ink list --shelf all.toml
remove: ink remove rose --yes
remove-unasked: ink remove 'my green'
undo: undo
undo-json: undo --json
list-end: ink list -> studio/shelf.toml
"""  # noqa: E501

SLAB = f"""
learnt-nothing: ink list --learnt
begin: match {NO_MATCH} --card {SLIP} --batch 'kingfisher green' {MIX} --grams 250
no-mix: match {NO_MATCH} --batch other
added: match {MATCH} --card {SLIP} --batch 'kingfisher green' --added 'PB15:3 2.1 g'
added-again: match {MATCH} --card {SLIP} --batch 'kingfisher green' --added 'PB15:3 2.1 g' --json
other-mix: match {MATCH} --batch 'kingfisher green' --mix 'white 9, PB15:3 2'
orange: match {CLOSE} --card {SLIP} --batch orange --mix 'PO73 22, PY83 9, white 69' --json
learnt: ink list --learnt
learnt-json: ink list --learnt --json
later: match {NO_MATCH} --card {SLIP} {MIX} --grams 250
undo: undo
undo-json: undo --json
learnt-end: ink list --learnt
"""
# The scale named once is remembered.
SCALE = f"""
named: match {NO_MATCH} --card {SLIP} {MIX} --grams 20 --scale 1
remembered: match {NO_MATCH} --card {SLIP} {MIX} --grams 20
"""

DRYING = f"""
nothing: ink dry
nothing-json: ink dry --json
add: ink dry {NO_MATCH} {MATCH} --card {SLIP} --strip 1 --name 'river blue'
add-json: ink dry {MATCH} {NO_MATCH} --card {SLIP} --strip 2 --strip 1 --name second --json
list: ink dry
list-json: ink dry --json
match-wet: match {NO_MATCH} --card {SLIP} --wet batch {MIX}
match-wet-json: match {MATCH} --card {SLIP} --wet original --json
set-aside: ink dry --set-aside 1
set-aside-again: ink dry --set-aside 1
list-aside: ink dry
bring-back: ink dry --bring-back 1 --json
"""

CARDS = f"""
definition: card --definition drawn.toml -> drawn.toml
definition-frame: card --shape frame --definition frame.toml -> frame.toml
definition-taken: card --definition drawn.toml
svg: card card.svg -> card.svg
svg-frame-letter: card frame.svg --shape frame --paper letter -> frame.svg
png: card card.png --dpi 100 -> card.png
pdf: card card.pdf -> card.pdf
sheet-svg: card sheet.svg --shape sheet -> sheet.svg
sheet-letter: card letter.svg --shape sheet --paper letter -> letter.svg
sheet-pdf: card sheet.pdf --shape sheet -> sheet.pdf
sheet-png: card sheet.png --shape sheet --dpi 100 -> sheet.png
enrol-once: card --enrol inputs/first.csv --definition once.toml --date 2030-05-04 -> once.toml
enrol-twice: card --enrol inputs/first.csv --enrol inputs/second.csv --definition twice.toml --date 2030-05-04 -> twice.toml
enrol-cgats: card --enrol inputs/instrument.txt --definition cgats.toml --date 2030-05-04 -> cgats.toml
enrol-today: card --enrol inputs/first.csv --definition today.toml
match-enrolled: match {NO_MATCH} --card twice.toml
read-enrolled: read {NO_MATCH} --card cgats.toml --json
read-drawn: read {NO_MATCH} --card drawn.toml
"""  # noqa: E501
