"""Requests that mean harm, or are broken, against every route that the page has.

The routes are asked of the page itself, so a new one is attacked too. Sources of the ideas: RFC
9112 (framing), RFC 7578 (forms with files), RFC 6265 (cookies), and MITRE's Common Weakness
Enumeration: 22 path traversal, 158 NUL bytes, 352 forged requests, 400 and 409 exhaustion and
bombs, 444 smuggling, 384 fixed sessions, 502 and 20 odd input.
"""

from __future__ import annotations

import gzip
import io
import json
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from urllib.parse import quote, urlencode

FORM, JSON = "application/x-www-form-urlencoded", "application/json"
VALUES = (
    "", "\0", "1\0.jpg", "../../../../etc/passwd", "..\\..\\key", "/etc/passwd", "%2e%2e%2f", "~",
    "9" * 400, "-1", "0", "1e999", "nan", "inf", "-0.0", "0x10", "1_000", "½", "²", "٣", "12,5,7",
    "<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "{{ 7 * 7 }}", "${7*7}", "%s%n",
    "'; DROP TABLE original; --", "x\r\nSet-Cookie: drawdown=1", "\u202egpj.exe", "ﬀ" * 3000,
    "🐦" * 2000, "PB15:3 4, white " + "9" * 50, "1,1 2,2 3,3 4,4", "1,1,1,1", "a" * 150_000,
    "white 1e400", "PB15:3 -4", "=1+1", " ", "\ufeff", "-" * 70,
)  # fmt: skip
FIELDS = (
    "photo", "token", "mix", "grams", "tolerance", "wet_original", "wet_batch", "pulled_alike",
    "other_inks", "swap", "strip", "name", "edition", "paper", "note", "wet", "good", "change",
    "where", "batch", "original_at", "batch_at", "original_paper_at", "corners", "rough", "afresh",
    "original_number", "batch_number", "kept", "follows",
)  # fmt: skip
PLAUSIBLE = {
    "mix": "white 97, PB15:3 3", "grams": "6", "tolerance": "2", "strip": "1", "name": "Rest",
    "edition": "Tide", "change": "1", "where": "drawer", "original_at": "300,900",
    "batch_at": "900,900", "original_number": "1", "batch_number": "2",
}  # fmt: skip
QUERIES = (
    "grams=%00", "grams=" + "9" * 400, "text=%00%ff", "sort=__class__", "edition=..%2f..",
    "part=1", "after=-1", "after=99999999999999999999", "said=%3Cscript%3E", "strip=-1", "key=",
    "change=" + "9" * 500, "strip=%D9%A3", "strip=1&strip=2", "grams=12&grams=nan", "a=b&" * 3000,
    "%", "edition=%ED%A0%80",
)  # fmt: skip
BROKEN_PATHS = (
    "/static/../server.py", "/static/%2e%2e/server.py", "/static/..%2f..%2fserver.py",
    "/static/%2e%2e%5c%2e%2e%5cserver.py", "/static//etc/passwd", "/static/%00", "/look/../../key",
    "/static/page.css%00", "/look/%2e%2e%2f%2e%2e%2fkey", "/look/..", "/look/%00",
    "/look/" + "a" * 5000,
    "/look/" + "0" * 32 + "/../answer.jpg", "/look/..%2f" + "0" * 32, "/look/" + "٣" * 32,
    "/book/kept/-1", "/book/kept/99999999999999999999999", "/book/kept/%D9%A3", "/book/..;/key",
    "//evil.example/", "/\\evil.example", "/%0d%0aSet-Cookie:x=1", "/book/%252e%252e/label.pdf",
    "/page/key", "/.git/config", "/%ff%fe", "http://evil.example/book", "*",
    "/book?" + "x" * 20_000, "/guide/..%2f..%2f..%2fpyproject", "/guide/%2e%2e",
    "/guide/README", "/card/..%2fkey.pdf",
)  # fmt: skip


@dataclass(frozen=True)
class Target:
    """The page under attack: where it listens, its key, a phone that was let in, a look of it."""

    host: str
    key: str
    phone: str
    look: str  # its 32 digits


@dataclass(frozen=True)
class Attack:
    """What is sent, piece by piece. ``keyed``: it comes from a phone that was let in, so it may be
    answered. ``leaves``: it goes without waiting for an answer."""

    name: str
    pieces: tuple[bytes, ...]
    keyed: bool = False
    pause_s: float = 0.0
    leaves: bool = False


# The requests ----------------------------------------------------------------------------


def attacks(target: Target, seed: int, count: int) -> list[Attack]:
    """So many of them. Every route is asked without the key; the rest is drawn of all sorts, each
    sort in its turn."""
    rng = random.Random(seed)
    found = list(_without_key(target, rng))
    sorts = [
        _foreign(target, rng), _broken_paths(target, rng), _broken_frames(target, rng),
        _odd_values(target, rng), _odd_values(target, rng), _odd_forms(target, rng),
        _bombs(target, rng), _large(target, rng), _slow(target, rng), _queries(target, rng),
    ]  # fmt: skip
    assert len(found) < count
    while len(found) < count:
        found += [one for sort in list(sorts) if (one := _next(sort, sorts))]
    return found[:count]


def _next(sort: Iterator[Attack], sorts: list[Iterator[Attack]]) -> Attack | None:
    one = next(sort, None)
    if one is None:
        sorts.remove(sort)
    return one


def routes() -> list[tuple[str, str]]:
    """(method, path) of all that the page answers, with the parameters in braces."""
    from drawdown.page.server import ROOMS

    found = {
        ("POST" if "POST" in route.methods else "GET", route.path)
        for room in ROOMS
        for route in room.ROUTES
    }
    assert len(found) > 20
    return [*sorted(found), ("GET", "/static/page.css")]


def _real(path: str, target: Target) -> str:
    """A path with what is really there."""
    known = {"name": target.look, "id": "1", "which": "answer", "kind": "kept"}
    return re.sub(r"\{(\w+)(?::\w+)?\}", lambda m: known.get(m[1], "match"), path)


def request(
    target: Target, method: str, path: str, body: bytes | None = None, *, keyed: bool = False,
    **headers: str,
) -> bytes:  # fmt: skip
    """Its bytes; a header that is None is left out, ``_`` stands for ``-``."""
    said: dict[str, str | None] = {"Host": target.host, "Connection": "close"}
    if keyed:
        said["Cookie"] = f"drawdown={target.phone}"
    if method == "POST":
        said["Origin"] = f"http://{target.host}"
    if body is not None:
        said |= {"Content-Type": FORM, "Content-Length": str(len(body))}
    said |= {name.replace("_", "-"): value for name, value in headers.items()}
    lines = [f"{method} {path} HTTP/1.1"]
    lines += [f"{name}: {value}" for name, value in said.items() if value is not None]
    return "\r\n".join(lines).encode() + b"\r\n\r\n" + (body or b"")


def multipart(*parts: tuple[str, bytes], end: bool = True, mark: str = "MARK") -> bytes:
    """Parts as (what follows "form-data; ", content)."""
    out = b"".join(
        f"--{mark}\r\nContent-Disposition: form-data; {head}\r\n\r\n".encode() + data + b"\r\n"
        for head, data in parts
    )
    return out + (f"--{mark}--\r\n".encode() if end else b"")


def photo(data: bytes, file: str = "photo.jpg") -> bytes:
    """The form that sends a photo."""
    return multipart((f'name="photo"; filename="{file}"', data), ('name="token"', b"t" * 40))


def _sent(target: Target, path: str, body: bytes, **headers: str) -> bytes:
    kind = {"Content_Type": "multipart/form-data; boundary=MARK"} | headers
    return request(target, "POST", path, body, keyed=True, **kind)


def _without_key(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Every route without a cookie, and with one that is not its own."""
    phone, _, mark = target.phone.partition(".")
    cookies = (
        f"drawdown={phone}", f"drawdown={phone}.", f"drawdown={'0' * 32}.{mark}",
        f"drawdown={target.phone[:-1]}", f"drawdown={target.phone.upper()}x", f"drawdown=.{mark}",
        f"drawdown={target.phone}; drawdown={'f' * 32}.{'0' * 64}", f"Drawdown={target.phone}",
        f'drawdown="{phone}"', "drawdown=" + "é" * 96, "drawdown=" + "a" * 30_000, "=;=;;;==",
    )  # fmt: skip
    for method, path in routes():
        real, body = _real(path, target), b"name=x&grams=1" if method == "POST" else None
        yield Attack(f"no cookie: {method} {path}", (request(target, method, real, body),))
        cookie = rng.choice(cookies)
        method = "HEAD" if method == "GET" and rng.random() < 0.3 else method
        sent = request(target, method, real, body, Cookie=cookie)
        yield Attack(f"cookie {cookie[:30]}: {method} {path}", (sent,))
    for key in ("wrong", target.key[:-1], target.key.swapcase()):
        sent = request(target, "GET", f"/?key={quote(key)}")
        yield Attack(f"wrong key {len(key)}", (sent,))


def _foreign(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Another site, another name, another method; the cookie is good."""
    posts = [path for method, path in routes() if method == "POST"]
    for origin in ("null", "http://evil.example", f"https://{target.host}", "", None):
        path = _real(rng.choice(posts), target)
        sent = request(target, "POST", path, b"name=x", keyed=True, Origin=origin)
        yield Attack(f"origin {origin}: {path}", (sent,))
    for host in ("evil.example", f"{target.host}.evil.example", f"x@{target.host}", "127.0.0.1:1"):
        path = _real(rng.choice(routes())[1], target)
        yield Attack(f"host {host}: {path}", (request(target, "GET", path, keyed=True, Host=host),))
        sent = request(target, "GET", f"/?key={target.key}", Host=host)
        yield Attack(f"host {host} with the key", (sent,))
    for method in ("PUT", "DELETE", "PATCH", "TRACE", "OPTIONS", "CONNECT", "BREW", "get", "PRI"):
        path = _real(rng.choice(routes())[1], target)
        yield Attack(f"method {method}: {path}", (request(target, method, path, keyed=True),))
    for site in ("cross-site", "same-site", "none"):
        path = _real(rng.choice(posts), target)
        sent = request(target, "POST", path, b"x=1", keyed=True, Sec_Fetch_Site=site)
        yield Attack(f"site {site}: {path}", (sent,))


def _broken_paths(target: Target, rng: random.Random) -> Iterator[Attack]:
    for path in BROKEN_PATHS:
        for method in ("GET", "POST"):
            sent = request(target, method, path, keyed=True)
            yield Attack(f"path {method} {path[:40]}", (sent,), keyed=True)
    for method, path in routes():
        if "{name" in path:
            bad = rng.choice(("..", "%2e%2e", "..%2f..%2fkey", "%00", "0" * 31 + "g", "A" * 32))
            sent = request(target, method, path.replace("{name:str}", bad), keyed=True)
            yield Attack(f"name {bad}: {method} {path}", (sent,), keyed=True)


def _broken_frames(target: Target, rng: random.Random) -> Iterator[Attack]:
    """What is no HTTP, or two readings of it (RFC 9112, 6.3 and 11.2)."""
    good = request(target, "GET", "/", keyed=True)
    end, evil = b"\r\n\r\n", b"Host: evil.example"
    own = f"Host: {target.host}\r\n".encode()

    def with_header(header: bytes) -> bytes:
        return good.replace(end, b"\r\n" + header + end)

    def of_length(said: bytes, rest: bytes = b"") -> bytes:
        return _sent(target, "/look", b"x").replace(b"Content-Length: 1", said) + rest

    length, chunked = b"Content-Length: ", b"Transfer-Encoding: chunked"
    hidden = request(target, "POST", "/book/undo", good, keyed=True, Content_Length="0")
    for name, raw in (
        ("nothing but noise", rng.randbytes(3000)),
        ("TLS", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + rng.randbytes(500)),
        ("HTTP/0.9", b"GET /\r\n\r\n"),
        ("HTTP/2 preface", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n"),
        ("a header of 100 kB", with_header(b"X: " + b"a" * 100_000)),
        ("2000 headers", with_header(b"X: a\r\n" * 2000 + b"X: a")),
        ("NUL in a header", with_header(b"X: a\0b")),
        ("folded header", with_header(b"X: a\r\n b")),
        ("two hosts", with_header(evil)),
        ("no host", good.replace(own, b"")),
        ("two lengths", of_length(length + b"1\r\n" + length + b"9")),
        ("length and chunks", of_length(length + b"1\r\n" + chunked, b"\r\n0\r\n\r\n")),
        ("length below 0", of_length(length + b"-1")),
        ("length of 400 digits", of_length(length + b"9" * 400)),
        ("length in words", of_length(length + b"one")),
        ("chunk of 2^70", of_length(chunked, b"fffffffffffffffffff\r\n")),
        ("chunk that is none", of_length(chunked, b"zz\r\n")),
        ("gzip as coding", of_length(b"Transfer-Encoding: gzip")),
        ("upgrade", with_header(b"Connection: Upgrade\r\nUpgrade: websocket")),
        ("one hidden in another", hidden),
    ):
        yield Attack(f"frame: {name}", (raw,), keyed=True)


def _odd_values(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Every form with fields that nobody would type."""
    posts = [path for method, path in routes() if method == "POST"]
    while True:
        for path in rng.sample(posts, len(posts)):
            names = rng.sample(FIELDS, rng.randint(1, 6))
            said = PLAUSIBLE | {name: rng.choice(VALUES) for name in names}
            real, what = _real(path, target), ", ".join(f"{k} {said[k][:12]!r}" for k in names)
            if rng.random() < 0.5:
                body = multipart(*((f'name="{k}"', v.encode()) for k, v in said.items()))
                sent = _sent(target, real, body)
            else:
                body = urlencode(said).encode()
                sent = request(target, "POST", real, body, keyed=True)
            yield Attack(f"values {path}: {what}", (sent,), keyed=True)


def _odd_forms(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Broken and misnamed bodies, to a form each."""
    jpeg = b"\xff\xd8\xff\xe0" + rng.randbytes(2000)
    kind = "multipart/form-data; boundary="
    bodies = [
        ("JSON", json.dumps({"name": "x", "mix": {"$ne": 1}}).encode(), JSON),
        ("deep JSON", b"[" * 90_000, JSON),
        ("XML", b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><x>&a;</x>', "text/xml"),
        ("no kind", b"name=x", ""),
        ("odd kind", b"name=x", "multipart/form-data"),
        ("boundary of NUL", photo(jpeg), kind + "\0"),
        ("boundary of 5000", photo(jpeg), kind + "M" * 5000),
        ("boundary quoted", photo(jpeg), kind + '"MARK'),
        ("no end", multipart(('name="photo"; filename="a"', jpeg), end=False), kind + "MARK"),
        ("no head", b"--MARK\r\n" + jpeg, kind + "MARK"),
        ("3000 parts", multipart(*[('name="a"', b"1")] * 3000), kind + "MARK"),
        ("2000 fields", b"a=1&" * 2000, FORM),
        ("no equals", b"&&&;;;%%%", FORM),
        ("half a surrogate", b"name=%ED%A0%80&mix=%FF%FE&grams=%C0%80", FORM),
        ("charset", b"+ADw-script+AD4-=1", FORM + "; charset=utf-7"),
        ("unknown charset", multipart(('name="name"', b"x")), kind + "MARK; charset=nonsense"),
        ("head of 90 kB", multipart((f'name="{"n" * 90_000}"', b"x")), kind + "MARK"),
        ("name missing", multipart(("filename=x", jpeg)), kind + "MARK"),
        ("photo as text", multipart(('name="photo"', jpeg)), kind + "MARK"),
        ("file as text field", multipart(('name="mix"; filename="m"', jpeg)), kind + "MARK"),
        ("seven photos", multipart(*[('name="photo"; filename="a"', jpeg)] * 7), kind + "MARK"),
        ("empty photo", photo(b""), kind + "MARK"),
        ("nothing", b"", FORM),
        ("packed", gzip.compress(b"name=x" * 9000), FORM),
    ]
    names = ("../../../../evil.jpg", "/etc/evil", "C:\\evil.jpg", "a\0b.jpg", "a" * 3000, "../key")
    bodies += [(f"file {name[:16]!r}", photo(jpeg, name), kind + "MARK") for name in names]
    posts = [path for method, path in routes() if method == "POST"]
    for name, body, said in bodies:
        for path in ("/look", rng.choice(posts)):
            sent = _sent(target, _real(path, target), body, Content_Type=said or None)
            yield Attack(f"form {name}: {path}", (sent,), keyed=True)


def _bombs(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Photos that are small to send and large to open, or no photos at all."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return (
            struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        )

    def png(width: int, height: int, rows: bytes) -> bytes:
        head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0))
        return (
            b"\x89PNG\r\n\x1a\n" + head + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
        )

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("../../evil.jpg", bytes(10_000_000))
    profile = chunk(b"iCCP", b"a\0\0" + zlib.compress(bytes(60_000_000)))
    small = png(4, 4, bytes(13) * 4)
    frame = (
        b"\xff\xc0" + struct.pack(">HBHHB", 17, 8, 65_500, 65_500, 3) + b"\1\x22\0\2\x11\1\3\x11\1"
    )
    svg = b'<svg xmlns="http://www.w3.org/2000/svg"><image href="file:///etc/passwd"/></svg>'
    heic = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic\0\0\xff\xffmeta"
    for name, data in (
        ("PNG of 900 MP", png(30_000, 30_000, bytes(20_000_000))),
        ("PNG of 4000 MP in its head", png(2**31 - 1, 2**31 - 1, b"")),
        ("PNG of no size", png(0, 0, b"")),
        ("PNG with a profile of 60 MB", small[:33] + profile + small[33:]),
        ("JPEG of 4 GP in its head", b"\xff\xd8" + frame + b"\xff\xda" + rng.randbytes(500)),
        ("JPEG of markers", b"\xff\xd8" + b"\xff\xe1\x00\x02" * 100_000),
        ("TIFF that points at itself", b"II*\0\x08\0\0\0" + b"\0\0\x08\0\0\0" * 4),
        ("zip", packed.getvalue()),
        ("SVG that reads a file", svg),
        ("HTML", b"<html><script>alert(1)</script>"),
        ("HEIC that is cut", heic + rng.randbytes(400)),
        ("zeros", bytes(2_000_000)),
        ("a link", b"file:///etc/passwd"),
    ):
        # Each is another look, which its own token makes.
        body = photo(data).replace(b"t" * 40, name.encode())
        yield Attack(f"bomb: {name}", (_sent(target, "/look", body),), keyed=True)
    sent = _sent(target, f"/look/{target.look}/photo", photo(small))
    yield Attack("bomb: beside a good photo", (sent,), keyed=True)


def _large(target: Target, rng: random.Random) -> Iterator[Attack]:
    """60 MB: announced, in chunks without a length, and to a form that takes no photo."""
    megabyte = rng.randbytes(1_000_000)
    form = photo(megabyte).partition(b"\r\n--MARK")[0]
    pieces = (form, *[megabyte] * 60)
    for path in ("/look", "/book/undo"):
        head = _sent(target, path, b"", Content_Length=str(sum(map(len, pieces))))
        yield Attack(f"60 MB, announced: {path}", (head, *pieces), keyed=True)
        head = _sent(target, path, b"", Content_Length=None, Transfer_Encoding="chunked")
        chunks = [b"%x\r\n%b\r\n" % (len(piece), piece) for piece in pieces]
        yield Attack(f"60 MB in chunks: {path}", (head, *chunks, b"0\r\n\r\n"), keyed=True)
    head = request(target, "POST", "/look", b"", Content_Length="49000000")
    yield Attack("49 MB without the key", (head, *[megabyte] * 49))


def _slow(target: Target, rng: random.Random) -> Iterator[Attack]:
    """Bodies that dribble, stop, or whose sender goes."""
    body = photo(rng.randbytes(3000))
    whole = _sent(target, "/look", body)
    tenth = len(whole) // 10 + 1
    dribble = tuple(whole[at : at + tenth] for at in range(0, len(whole), tenth))
    yield Attack("dribbles", dribble, keyed=True, pause_s=0.2)
    for share in (3, 2):
        cut = whole[: len(whole) * (share - 1) // share]
        yield Attack(f"goes after 1 - 1/{share}", (cut,), keyed=True, leaves=True)
    yield Attack("goes in the head", (whole[:40],), leaves=True)
    for part in ("/state", "", "/answer.jpg"):
        sent = request(target, "GET", f"/look/{target.look}{part}", keyed=True)
        yield Attack(f"goes before its answer: {part}", (sent,), keyed=True, leaves=True)
    yield Attack("says nothing", ())
    many = request(target, "GET", "/", keyed=True, Connection="keep-alive") * 40
    yield Attack("40 at once in one connection", (many,), keyed=True, leaves=True)


def _queries(target: Target, rng: random.Random) -> Iterator[Attack]:
    gets = [path for method, path in routes() if method == "GET"]
    while True:
        path, query = rng.choice(gets), rng.choice(QUERIES)
        sent = request(target, "GET", f"{_real(path, target)}?{query}", keyed=True)
        yield Attack(f"query {path}?{query[:40]}", (sent,), keyed=True)
