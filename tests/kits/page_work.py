"""Work for the page's processes that goes wrong. They import it by name, so it is a module of its
own."""

from __future__ import annotations

import os
import time
from typing import Any

SLEEPS_S = 120.0


def name_of(bench: Any, name: str) -> tuple[str, int]:
    """What it was given, and which process did it."""
    return name, os.getpid()


def sleep(bench: Any) -> None:
    bench.say("sleeping", 0.5)
    time.sleep(SLEEPS_S)


def fill_memory(bench: Any) -> None:
    held = []
    for _ in range(1000):
        held.append(bytearray(100_000_000))


def die(bench: Any) -> None:
    os._exit(9)  # as a decoder that fails deep inside


def stumble(bench: Any) -> None:
    raise ZeroDivisionError("a secret path /home/someone")
