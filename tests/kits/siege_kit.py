"""A page under the requests of hostile_kit.py, and what was wrong with its answers."""

from __future__ import annotations

import re
import socket
import sqlite3
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import dataclass, replace
from http.client import HTTPException, HTTPResponse
from pathlib import Path
from urllib.parse import urlencode, urlsplit

from hostile_kit import FORM, Attack, Target, attacks
from page_kit import PHOTOS, ROOT, Served

LIMIT_S = 20.0  # for an answer without the key
PHOTO_LIMIT_S = 60.0  # for one that may have to wait for a photo's turn
KEPT = "Heron's wing, kept"  # an original in the book under attack
# Nothing that can be answered came; or more than was let in is still on its way.
_MAY_BE_CUT = ("60 MB", "49 MB", "says nothing", "frame: nothing but noise")


@dataclass(frozen=True)
class Outcome:
    """What came of it. ``status`` 0: the connection was closed without an answer."""

    status: int
    headers: dict[str, str]
    body: bytes
    took_s: float
    hung: bool = False


def limit_s(attack: Attack) -> float:
    return PHOTO_LIMIT_S if attack.keyed else LIMIT_S


def send(target: Target, attack: Attack) -> Outcome:
    """Send it and read the answer."""
    began = time.monotonic()
    at = urlsplit(f"http://{target.host}")
    heard = Outcome(0, {}, b"", 0.0)
    try:
        with socket.create_connection((at.hostname, at.port), timeout=limit_s(attack)) as line:
            _send_pieces(line, attack)
            if not attack.leaves:
                bare = attack.pieces[:1] and attack.pieces[0].startswith(b"HEAD ")
                answer = HTTPResponse(line, method="HEAD" if bare else "GET")
                answer.begin()
                headers = {name.lower(): value for name, value in answer.getheaders()}
                heard = Outcome(answer.status, headers, answer.read(), 0.0)
    except TimeoutError:
        heard = replace(heard, hung=True)
    except (HTTPException, OSError):
        pass  # closed on us
    return replace(heard, took_s=time.monotonic() - began)


def _send_pieces(line: socket.socket, attack: Attack) -> None:
    for piece in attack.pieces:
        try:
            line.sendall(piece)
        except (BrokenPipeError, ConnectionResetError):
            return  # it was refused; the answer may still be there
        if attack.pause_s:
            time.sleep(attack.pause_s)


def faults(target: Target, attack: Attack, heard: Outcome, folder: str) -> list[str]:
    """What is wrong with an answer, in words; ``folder`` is where the studio's files are."""
    body, told = heard.body, []
    if heard.hung or heard.took_s > limit_s(attack):
        told.append(f"hung for {heard.took_s:.0f} s")
    if heard.status >= 500:
        told.append(f"answered with {heard.status}: {body[:300]!r}")
    if heard.status == 0 and not attack.leaves and not attack.name.startswith(_MAY_BE_CUT):
        told.append("closed without an answer")
    if b"Traceback" in body or b'File "' in body:
        told.append("a traceback in the answer")
    if target.key.encode() in body or target.key in str(heard.headers):
        told.append("the key in the answer")
    if folder.encode() in body or b"root:x:" in body:
        told.append(f"a path or a file of this computer in the answer: {body[:600]!r}")
    if not attack.keyed:
        if 0 < heard.status < 400:
            told.append(f"answered with {heard.status} without the key")
        if b"stylesheet" in body or KEPT.encode() in body or len(body) > 1000:
            told.append("content without the key")
        if "set-cookie" in heard.headers:
            told.append("a cookie without the key")
    return [f"{attack.name}: {text}" for text in told]


# A siege ---------------------------------------------------------------------------------


def besiege(served: Served, folder: Path, seed: int, count: int) -> list[str]:
    """Everything that is wrong with what came of so many requests, twelve at a time; ``folder`` is
    where the page was started."""
    target, phone = _ready(served), served.phone()
    outside = _outside(served, folder)
    sent = attacks(target, seed, count)
    with ThreadPoolExecutor(12) as pool:
        heard = list(pool.map(lambda one: send(target, one), sent))
    told = [
        text
        for one, came in zip(sent, heard, strict=True)
        for text in faults(target, one, came, str(folder))
    ]
    for one, came in zip(sent, heard, strict=True):
        if one.name.startswith("bomb") and came.status == 303:
            page = served.answered(came.headers["location"], target.phone)
            if "NO VERDICT" not in page and "beside" not in one.name:
                told.append(f"{one.name}: it had another answer than that it cannot be judged")
            told += faults(target, one, replace(came, body=page.encode()), str(folder))
    if served.ask("/", phone=phone, timeout=LIMIT_S)[0] != 200:
        told.append("afterwards a phone has no answer")
    changed = sorted(set(outside.items()) ^ set(_outside(served, folder).items()))
    told += [f"written outside the book: {path}" for path, _ in changed]
    told += [f"an unknown file in the book: {name}" for name in _unknown(served.book)]
    said = served.said.read_text()
    if "Traceback" in said or "failed" in said or said.count("\n") > 3:
        told.append(f"the terminal says {said[-800:]}")
    with closing(sqlite3.connect(served.book / "book.sqlite")) as book:
        told += [] if book.execute("PRAGMA integrity_check").fetchall() == [("ok",)] else ["book"]
    return told


def _ready(served: Served) -> Target:
    """A book with an original in it, and a photo that was judged."""
    phone = served.phone()
    look = served.send(PHOTOS / "no-match.jpg", phone)
    served.answered(look, phone)
    body = urlencode({"strip": "1", "name": KEPT, "edition": "Tide"}).encode()
    kept = served.ask(
        f"{look}/keep", "POST", body, phone=phone, Origin=served.origin, Content_Type=FORM
    )
    assert kept[0] == 303, kept
    return Target(served.host, served.key, phone, look.rpartition("/")[2])


def _outside(served: Served, folder: Path) -> dict[str, tuple[int, int]]:
    """Size and time of every file near the page that is not the book's, and of the program's."""
    program = (p for room in ("drawdown", "calibration") for p in (ROOT / room).rglob("*"))
    near = (p for p in folder.rglob("*") if served.book not in p.parents)
    above = (p for p in folder.parent.iterdir())
    return {
        str(p): (p.stat().st_size, p.stat().st_mtime_ns)
        for p in (*program, *near, *above)
        if p.is_file() and "__pycache__" not in p.parts
    }


_OURS = re.compile(
    r"book\.sqlite(-\w+)?|diary\.jsonl(\.gz)?|photos/[0-9a-f]{2}/[0-9a-f]{64}\.[a-z]+|page/key|"
    r"page/looks/[0-9a-f]{32}/(asked\.json|answer\.json|(answer|plain)\.jpg|\d\.[a-z]{3,4})"
)


def _unknown(book: Path) -> list[str]:
    """Files in the book's folder that neither the book nor the page names."""
    names = (str(p.relative_to(book)) for p in book.rglob("*") if p.is_file())
    return [name for name in names if not _OURS.fullmatch(name)]
