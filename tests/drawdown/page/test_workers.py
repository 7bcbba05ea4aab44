"""The queue and its processes: turns, time, memory, and what becomes of the others."""

from __future__ import annotations

import asyncio

import page_kit
import page_work
import pytest

from calibration.errors import DrawdownError
from drawdown.page import workers
from drawdown.page.studio import Busy, Studio
from drawdown.page.workers import Workers


@pytest.fixture
def idle(tmp_path):
    """A queue that nobody serves."""
    queue = Workers(Studio(tmp_path), count=0)
    yield queue
    queue.close()


def test_phones_have_their_turns_one_photo_each(idle):
    sent = [idle.submit(phone, f"{phone}{n}", page_work.sleep) for n, phone in enumerate("AAABCC")]
    assert [idle.place(job) for job in sent] == [1, 4, 6, 2, 3, 5]
    late = idle.submit("D", "D", page_work.sleep)
    assert [idle.place(job) for job in sent] == [1, 5, 7, 2, 3, 6]
    assert idle.place(late) == 4


def test_a_phone_that_sends_too_much_is_told_and_the_others_are_not(idle):
    for n in range(workers.MOST_OF_ONE):
        idle.submit("A", str(n), page_work.sleep)
    with pytest.raises(Busy, match=f"{workers.MOST_OF_ONE} photos wait already"):
        idle.submit("A", "more", page_work.sleep)
    assert idle.place(idle.submit("B", "B", page_work.sleep)) == 2


def test_who_waits_when_the_page_is_stopped_learns_that_nothing_is_lost(tmp_path):
    queue = Workers(Studio(tmp_path), count=0)
    job = queue.submit("A", "one", page_work.sleep)
    queue.close()
    with pytest.raises(DrawdownError, match="being stopped"):
        page_kit.awaited(job.outcome())


@pytest.mark.slow
def test_a_photo_that_takes_too_much_is_answered_and_the_others_go_on(tmp_path, monkeypatch):
    """Too long, too much memory, a decoder that dies, a fault of ours: each has its answer, and the
    process that was lost is replaced."""
    monkeypatch.setattr(workers, "PHOTO_MEMORY_BYTES", 300_000_000)
    queue = Workers(Studio(tmp_path), count=1, patience_s=2.0)
    try:
        works = {
            "first": (page_work.name_of, "first"), "slow": (page_work.sleep,),
            "second": (page_work.name_of, "second"), "large": (page_work.fill_memory,),
            "deadly": (page_work.die,), "fault": (page_work.stumble,),
            "last": (page_work.name_of, "last"),
        }  # fmt: skip
        jobs = {name: queue.submit("A", name, *work) for name, work in works.items()}
        told = page_kit.awaited(_ends(jobs), 120)
    finally:
        queue.close()
    named = {name: told.pop(name) for name in ("first", "second", "last")}
    assert [one for one, _ in named.values()] == ["first", "second", "last"]
    assert len({process for _, process in named.values()}) == 3
    assert "longer than" in told["slow"].seen
    assert jobs["slow"].step == "sleeping"
    for name in ("large", "deadly"):
        assert "more memory than one photo may have" in told[name].seen
    for name in ("slow", "large", "deadly"):
        assert "export it as JPEG" in told[name].todo
    assert "ZeroDivisionError" in told["fault"].seen
    assert "secret" not in str(told["fault"])


async def _ends(jobs):
    """The result of each job, or its problem."""
    kept = await asyncio.gather(*(job.outcome() for job in jobs.values()), return_exceptions=True)
    return dict(zip(jobs, kept, strict=True))
