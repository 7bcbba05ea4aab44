"""Who may ask: the key, where a request comes from, how much it may bring.

Every request passes here first. Nothing is answered without the key but a page that says how to
come by it. A name that only pretends to be this machine (DNS rebinding) and a post that another
site sends are refused by Host and Origin (RFC 9110, 7.2; RFC 6454, 7); the cookie is HttpOnly and
SameSite (RFC 6265bis).
"""

from __future__ import annotations

import asyncio
import hashlib
import hmac
import os
import secrets
import sys
import time
import traceback
from collections import OrderedDict
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "drawdown"
COOKIE_S = 30 * 86_400
MOST_BODY_BYTES = 50_000_000
MOST_FORM_BYTES = 200_000  # of what is no photo
PIECE_S, BODY_S = 20.0, 180.0  # for the next piece, for the whole of it
WRONG_S, MOST_WRONG_S, MOST_HELD_BACK = 0.5, 8.0, 16
SAFE = ("GET", "HEAD")
HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
_CLOSED = """<!doctype html><html lang="en"><meta charset="utf-8">
<meta name="viewport" content="width=device-width"><title>drawdown</title>
<h1>{title}</h1><p>{text}</p>"""


class TooLarge(Exception):
    """The body is larger than it may be."""


class TooSlow(Exception):
    """It does not arrive."""


def phone_of(scope: Scope) -> str:
    """Which phone asks: what its cookie says."""
    return str(scope["state"]["phone"])


class Guard:
    """ASGI middleware round the page. ``uploads`` are the paths whose body may be a photo."""

    def __init__(self, app: ASGIApp, key: str, uploads: tuple[str, ...]) -> None:
        self._app, self._key, self._uploads = app, key, uploads
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()
        self._held_back = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # nothing here speaks over WebSocket
            await receive()
            await send({"type": "websocket.close"})
            return
        told = _Told(send)
        try:
            refusal = await self._refusal(scope)
            if refusal is not None:
                await refusal(scope, receive, told)
                return
            await self._app(scope, self._limited(scope, receive), told)
        except Exception as fault:
            await told.fault(fault, scope, receive)

    async def _refusal(self, scope: Scope) -> Response | None:
        headers = {k.decode("latin-1").lower(): v.decode("latin-1") for k, v in scope["headers"]}
        host = headers.get("host", "")
        if host not in _own_hosts(scope):
            return closed(421, "Not here", "This address is not the page's own.")
        method = scope["method"]
        if method not in (*SAFE, "POST"):
            return closed(405, "Not possible", "The page does not know this kind of request.")
        if method == "POST" and not _from_here(headers, host):
            return closed(403, "Not from here", "Another site tried to send this.")
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > self._most(scope):
            return too_large(self._most(scope))
        given = parse_qs(scope["query_string"].decode("latin-1")).get("key", [""])[0]
        if given and method in SAFE:
            return await self._let_in(scope, headers, given)
        phone = self._phone(headers)
        if phone is None:
            return closed(
                403, "Scan the code", "Open this page by the code that the terminal shows."
            )
        scope.setdefault("state", {})["phone"] = phone
        return None

    def _most(self, scope: Scope) -> int:
        return MOST_BODY_BYTES if scope["path"].endswith(self._uploads) else MOST_FORM_BYTES

    async def _let_in(self, scope: Scope, headers: dict[str, str], given: str) -> Response:
        """The link's key becomes a cookie; a wrong one is answered late, and later each time."""
        address = (scope.get("client") or ("", 0))[0]
        if not hmac.compare_digest(given.encode(), self._key.encode()):
            count, when = self._wrong.pop(address, (0, 0.0))
            count = 1 if time.monotonic() - when > 600 else count + 1
            self._wrong[address] = count, time.monotonic()
            if len(self._wrong) > 1000:
                self._wrong.popitem(last=False)
            if self._held_back >= MOST_HELD_BACK:
                return closed(429, "Wrong key", "Too many wrong keys: wait a minute.")
            self._held_back += 1
            try:
                await asyncio.sleep(min(MOST_WRONG_S, WRONG_S * 2 ** (min(count, 9) - 1)))
            finally:
                self._held_back -= 1
            return closed(
                403, "Wrong key", "The link is an old one: scan the code that the terminal shows."
            )
        phone = self._phone(headers) or secrets.token_hex(16)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(
            COOKIE, f"{phone}.{self._mark(phone)}", max_age=COOKIE_S, httponly=True, samesite="lax"
        )
        return answer

    def _mark(self, phone: str) -> str:
        return hmac.new(self._key.encode(), phone.encode(), hashlib.sha256).hexdigest()

    def _phone(self, headers: dict[str, str]) -> str | None:
        """The phone whose cookie it is, if it is one of ours."""
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return None
        phone, _, mark = (cookie.value if cookie else "").partition(".")
        good = hmac.compare_digest(mark.encode(), self._mark(phone).encode())
        return phone if good and len(phone) == 32 else None

    def _limited(self, scope: Scope, receive: Receive) -> Receive:
        """The body in pieces, no more of it and no slower than it may be."""
        most, taken, end = self._most(scope), 0, time.monotonic() + BODY_S
        whole = False

        async def limited() -> Message:
            nonlocal taken, whole
            if whole:  # from here on it only tells that the phone has gone
                return await receive()
            try:
                left = min(PIECE_S, end - time.monotonic())
                message = await asyncio.wait_for(receive(), max(left, 0.01))
            except TimeoutError:
                raise TooSlow from None
            if message["type"] == "http.request":
                taken += len(message.get("body", b""))
                whole = not message.get("more_body", False)
            if taken > most:
                raise TooLarge
            return message

        return limited


def _own_hosts(scope: Scope) -> tuple[str, ...]:
    """What the page may be called on this connection: the address it came in by, and for this
    machine alone its usual name."""
    address, port = scope.get("server") or ("", 0)
    literal = f"[{address}]" if ":" in str(address) else str(address)
    names = [literal]
    if address in ("127.0.0.1", "::1"):
        names += ["localhost", "127.0.0.1", "[::1]"]
    return tuple(f"{name}:{port}" for name in names) + (tuple(names) if port == 80 else ())


def _from_here(headers: dict[str, str], host: str) -> bool:
    """Whether a post comes from a page of ours, as the browser says."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    return headers.get("origin") == f"http://{host}"


def closed(status: int, title: str, text: str) -> Response:
    """A page that says no more than that."""
    page = _CLOSED.format(title=title, text=text)
    return Response(page, status, media_type="text/html; charset=utf-8")


def too_slow() -> Response:
    return closed(408, "Too slow", "What was sent did not arrive: send it again.")


def too_large(most: int = MOST_BODY_BYTES) -> Response:
    return closed(
        413,
        "Too large",
        f"More than {most / 1e6:.0f} MB cannot be sent here: send the photo as JPEG or HEIC, as "
        "the phone saves it."
        if most == MOST_BODY_BYTES
        else "This is more than a form holds.",
    )


class _Told:
    """Sends the answer with the headers that every answer has, and what went wrong as a page where
    none was begun."""

    def __init__(self, send: Send) -> None:
        self._send, self._begun = send, False

    async def __call__(self, message: Message) -> None:
        if message["type"] == "http.response.start":
            self._begun = True
            own = {name.lower() for name, _ in message.get("headers", [])}
            more = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in own]
            message = {**message, "headers": [*message.get("headers", []), *more]}
        await self._send(message)

    async def fault(self, fault: Exception, scope: Scope, receive: Receive) -> None:
        sys.stderr.write(f"drawdown: the page failed once ({type(fault).__name__}).\n")
        if os.environ.get("DRAWDOWN_DEBUG") == "1":
            traceback.print_exception(fault)
        if not self._begun:
            text = "The page failed at this. Go back and try again."
            await closed(500, "Sorry", text)(scope, receive, self)
