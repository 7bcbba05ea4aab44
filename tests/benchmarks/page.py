"""The page for a phone: how long a verdict takes from sending, a correction by touch, and many
photos from many phones.

    python tests/benchmarks/page.py PHOTO [--clients 10] [--photos 200] [--many SMALL_PHOTO]

Prints the median of seven each: sending PHOTO over loopback until its verdict, ``match`` on it in a
process that is warm, and the same photo asked again by touch. Then so many photos from so many
clients: how many were judged, how long it took, and the memory of server and workers on the way
(Linux: resident, shared pages counted in each).
"""

from __future__ import annotations

import argparse
import re
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from urllib.parse import urlencode

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "kits")]

import page_kit  # noqa: E402

from drawdown.pipeline.match import match_photo  # noqa: E402
from drawdown.pipeline.options import Options  # noqa: E402

RUNS = 7


def seconds(work) -> float:
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def one_photo(served, photo: Path) -> None:
    phone = served.phone()
    looks: list[str] = []

    def judge() -> None:
        looks.append(served.send(photo, phone))
        served.wait(looks[-1], phone, 120)

    def touch() -> None:
        answer = served.ask(f"{looks[-1]}/touch", phone=phone)[2].decode()
        places = re.findall(r'<polygon points="([^"]+)"', answer)[:2]
        taps = []
        for place in places:
            points = [tuple(map(float, p.split(","))) for p in place.split()]
            taps.append(",".join(f"{sum(axis) / 4:.1f}" for axis in zip(*points, strict=True)))
        body = urlencode({"original_at": taps[1], "batch_at": taps[0]}).encode()
        began = time.perf_counter()
        status, _, told = served.ask(
            f"{looks[-1]}/touch", "POST", body, phone=phone, Origin=served.origin,
            Content_Type="application/x-www-form-urlencoded",
        )  # fmt: skip
        assert status == 303, (status, told[:200])
        served.wait(looks[-1], phone, 120)
        touched.append(time.perf_counter() - began)

    touched: list[float] = []
    match = lambda: match_photo(photo, Options(), lambda *_: None)  # noqa: E731
    judge(), match()
    sent = statistics.median(seconds(judge) for _ in range(RUNS))
    warm = statistics.median(seconds(match) for _ in range(RUNS))
    for _ in range(RUNS):
        touch()
    again = statistics.median(touched)
    print(f"{photo.name}: match, warm {warm:.3f} s")
    print(f"  from sending to the verdict {sent:.3f} s, {sent / warm:.2f} times (limit 1.3)")
    print(f"  corrected by touch {again:.3f} s, {again / sent:.2f} of that (limit 0.33)")


def _memory_mb(pid: int) -> float:
    total, waiting = 0.0, [pid]
    while waiting:
        now = waiting.pop()
        try:
            status = Path(f"/proc/{now}/status").read_text()
            tasks = Path(f"/proc/{now}/task").glob("*/children")
            children = " ".join(task.read_text() for task in tasks)
        except OSError:
            continue
        found = re.search(r"VmRSS:\s+(\d+)", status)
        total += int(found[1]) / 1024 if found else 0.0
        waiting += map(int, children.split())
    return total


def many_photos(served, photo: Path, clients: int, photos: int) -> None:
    judged, lost, data = [], [], photo.read_bytes()

    def client(count: int) -> None:
        phone = served.phone()
        for _ in range(count):
            try:
                look = served.send(data, phone)
                served.wait(look, phone, 120)
                judged.append(look)
            except (AssertionError, OSError) as problem:
                lost.append(problem)

    threads = [threading.Thread(target=client, args=(photos // clients,)) for _ in range(clients)]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    memory, next_at = [], photos // 8
    while any(thread.is_alive() for thread in threads):
        time.sleep(0.2)
        if len(judged) >= next_at:
            memory.append(_memory_mb(served.process.pid))
            next_at += photos // 8
    took = time.perf_counter() - began
    print(f"{photos} photos ({photo.name}) from {clients} clients: judged {len(judged)}, lost "
          f"{len(lost)}, {took:.0f} s")  # fmt: skip
    for problem in lost[:3]:
        print(f"  lost: {type(problem).__name__}: {str(problem)[:200]}")
    print("  memory on the way, MB: " + ", ".join(f"{one:.0f}" for one in memory))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("photo", type=Path)
    parser.add_argument("--clients", type=int, default=10)
    parser.add_argument("--photos", type=int, default=200)
    parser.add_argument("--many", type=Path, default=page_kit.PHOTOS / "match.jpg")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        with page_kit.running(Path(folder) / "one") as served:
            one_photo(served, asked.photo)
        with page_kit.running(Path(folder) / "many") as served:
            many_photos(served, asked.many, asked.clients, asked.photos)


if __name__ == "__main__":
    main()
