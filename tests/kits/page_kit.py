"""The page as it runs: the command in a process of its own, plain requests to it, and a phone's
browser."""

from __future__ import annotations

import asyncio
import http.client
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Coroutine, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

ROOT = Path(__file__).resolve().parents[2]
PHOTOS = ROOT / "fixtures" / "photos"
BROWSERS = ("chromium", "chromium-browser", "google-chrome")
PHONE = {
    "viewport": {"width": 360, "height": 740}, "is_mobile": True, "has_touch": True,
    "device_scale_factor": 2,
}  # fmt: skip


@dataclass
class Served:
    """A page that runs: its process, its link and what it said."""

    process: subprocess.Popen
    link: str
    book: Path
    said: Path
    cookie: str = ""
    headers: dict[str, str] = field(default_factory=dict)

    @property
    def host(self) -> str:
        return urlsplit(self.link).netloc

    @property
    def origin(self) -> str:
        return f"http://{self.host}"

    @property
    def key(self) -> str:
        return self.link.partition("key=")[2]

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: bytes | None = None,
        *,
        phone: str = "",
        timeout: float = 30.0,
        **headers: str,
    ) -> tuple[int, dict[str, str], bytes]:
        """One request: status, headers, body. ``phone`` is a cookie; headers go by ``_`` for
        ``-``."""
        port = urlsplit(self.link).port
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=timeout)
        sent = {"Host": self.host, **({"Cookie": f"drawdown={phone}"} if phone else {})}
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            told = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, told, answer.read()
        finally:
            connection.close()

    def phone(self) -> str:
        """A cookie for one more phone."""
        _, headers, _ = self.ask(f"/?key={self.key}")
        return re.search(r"drawdown=([^;]+)", headers["set-cookie"])[1]

    def send(self, photo: Path | bytes, phone: str, path: str = "/look", **fields: str) -> str:
        """A photo by the form; returns the place of its look."""
        body, kind = form(photo, **fields)
        status, headers, told = self.ask(
            path, "POST", body, phone=phone, Origin=self.origin, Content_Type=kind
        )
        assert status == 303, (status, told[:300])
        return headers["location"]

    def answered(self, look: str, phone: str, patience_s: float = 60.0) -> str:
        """The look's page once it is judged."""
        self.wait(look, phone, patience_s)
        return self.ask(look, phone=phone)[2].decode()

    def wait(self, look: str, phone: str, patience_s: float = 60.0) -> None:
        """Until a look is judged; asks as the page's own script does."""
        end, version = time.monotonic() + patience_s, -1
        while time.monotonic() < end:
            state = json.loads(self.ask(f"{look}/state?after={version}", phone=phone)[2])
            if state["done"]:
                return
            version = state["version"]
        raise AssertionError(f"{look} was not judged in {patience_s} s")


def awaited(work: Coroutine[Any, Any, Any], limit_s: float = 5.0) -> Any:
    """The result, in a thread and loop of its own: the browser's loop may run in this thread."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(lambda: asyncio.run(asyncio.wait_for(work, limit_s))).result()


def form(photo: Path | bytes, **fields: str) -> tuple[bytes, str]:
    """multipart/form-data (RFC 7578) and its content type."""
    mark = uuid.uuid4().hex
    data = photo if isinstance(photo, bytes) else photo.read_bytes()
    parts = [
        f'--{mark}\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    ]
    head = 'Content-Disposition: form-data; name="photo"; filename="../../photo.jpg"'
    parts.append(f"--{mark}\r\n{head}\r\nContent-Type: image/jpeg\r\n\r\n".encode() + data)
    parts.append(f"\r\n--{mark}--\r\n".encode())
    return b"".join(parts), f"multipart/form-data; boundary={mark}"


def begin(folder: Path, *options: str) -> Served:
    """Start the page over the book in ``folder``; ready once it has said its link."""
    folder.mkdir(exist_ok=True)
    said, book = folder / f"said-{uuid.uuid4().hex[:6]}.txt", folder / "book"
    environment = {
        **os.environ, "DRAWDOWN_BOOK": str(book), "DRAWDOWN_SHELF": str(folder / "shelf.toml"),
        "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1", "HOME": str(folder), "DRAWDOWN_DEBUG": "",
    }  # fmt: skip
    command = [sys.executable, "-m", "drawdown", "serve", "--port", "0", *options]
    with said.open("w") as out:
        process = subprocess.Popen(
            command, stdout=out, stderr=subprocess.STDOUT, env=environment, cwd=folder,
            start_new_session=True,
        )  # fmt: skip
    end = time.monotonic() + 30
    while time.monotonic() < end and process.poll() is None:
        if found := re.search(r"http://\S+key=\S+", said.read_text()):
            served = Served(process, found[0].replace("localhost", "127.0.0.1"), book, said)
            with suppress(OSError):
                served.ask("/")
                return served
        time.sleep(0.05)
    raise AssertionError(f"the page did not start: {said.read_text()}")


def stop(served: Served, how: int = signal.SIGINT) -> int:
    served.process.send_signal(how)
    return served.process.wait(15)


def kill(served: Served) -> None:
    """The page and every process of its own, at once and without a word."""
    os.killpg(served.process.pid, signal.SIGKILL)
    served.process.wait(15)


@contextmanager
def running(folder: Path, *options: str) -> Iterator[Served]:
    served = begin(folder, *options)
    try:
        yield served
    finally:
        with suppress(ProcessLookupError):
            stop(served)


def browser_path() -> str:
    """Where Chromium is; skips the test where there is none."""
    pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = next(filter(None, map(shutil.which, BROWSERS)), None)
    if found is None:
        pytest.skip("no Chromium is installed")
    return found


@contextmanager
def browser() -> Iterator:
    """Chromium without a window; nothing of it asks the network."""
    path = browser_path()
    from playwright.sync_api import sync_playwright

    quiet = [
        "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
        "--disable-component-update", "--disable-sync",
    ]  # fmt: skip
    with sync_playwright() as play:
        started = play.chromium.launch(executable_path=path, args=quiet)
        try:
            yield started
        finally:
            started.close()
