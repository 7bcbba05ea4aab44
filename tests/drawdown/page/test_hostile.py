"""Three hundred requests that mean harm: nothing is written outside the book's folder, nothing is
answered without the key, nothing fails and nothing hangs (tests/kits/hostile_kit.py names its
sources; ``tests/benchmarks/hostile.py`` sends more of them)."""

from __future__ import annotations

import asyncio

import hostile_kit
import page_kit
import pytest
import siege_kit

from drawdown.page import guard


@pytest.mark.slow
def test_three_hundred_hostile_requests(tmp_path):
    with page_kit.running(tmp_path / "studio") as served:
        assert siege_kit.besiege(served, tmp_path / "studio", seed=15, count=300) == []


def test_a_fault_in_an_answer_is_seen():
    target = hostile_kit.Target("127.0.0.1:1", "k" * 32, "p", "0" * 32)
    attack = hostile_kit.Attack("one", (b"GET / HTTP/1.1",))
    heard = siege_kit.Outcome(200, {"set-cookie": "x"}, b"stylesheet Traceback /studio", 99.0)
    told = " ".join(siege_kit.faults(target, attack, heard, "/studio"))
    for text in ("hung", "traceback", "a path", "200 without", "content without", "a cookie"):
        assert text in told
    broken = siege_kit.Outcome(500, {}, b"", 0.0)
    assert "answered with 500" in siege_kit.faults(target, attack, broken, "/studio")[0]


def test_every_route_is_asked_without_the_key():
    target = hostile_kit.Target("127.0.0.1:1", "k" * 32, "p.m", "0" * 32)
    names = " ".join(one.name for one in hostile_kit.attacks(target, 1, 300))
    for method, path in hostile_kit.routes():
        assert f"no cookie: {method} {path}" in names
    for sort in ("origin", "host", "method", "path", "frame", "values", "form", "bomb", "60 MB"):
        assert f"{sort} " in names or f"{sort}:" in names


@pytest.mark.parametrize(("body", "status"), [([b"x"], 408), ([b"x" * 300_000], 413)])
def test_a_body_that_stops_or_is_more_than_it_said_is_ended(monkeypatch, body, status):
    """Without the wait of a true clock."""
    monkeypatch.setattr(guard, "PIECE_S", 0.05)
    told = []

    async def app(scope, receive, send):
        try:
            while (await receive()).get("more_body"):
                pass
        except (guard.TooSlow, guard.TooLarge) as problem:
            slow = isinstance(problem, guard.TooSlow)
            answer = guard.too_slow() if slow else guard.too_large(guard.MOST_FORM_BYTES)
            await answer(scope, receive, send)

    async def receive():
        if body:
            return {"type": "http.request", "body": body.pop(), "more_body": True}
        await asyncio.sleep(60)

    async def send(message):
        told.append(message)

    page = guard.Guard(app, "k" * 32, ())
    phone = "a" * 32
    headers = {
        b"host": b"127.0.0.1:8", b"origin": b"http://127.0.0.1:8",
        b"cookie": f"drawdown={phone}.{page._mark(phone)}".encode(),
    }  # fmt: skip
    scope = {
        "type": "http", "method": "POST", "path": "/book/undo", "query_string": b"",
        "server": ("127.0.0.1", 8), "headers": list(headers.items()),
    }  # fmt: skip
    page_kit.awaited(page(scope, receive, send))
    assert told[0]["status"] == status
