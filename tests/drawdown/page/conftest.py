"""One page that runs and one browser for all tests of this folder."""

from __future__ import annotations

import page_kit
import pytest


@pytest.fixture(scope="session")
def served(tmp_path_factory):
    with page_kit.running(tmp_path_factory.mktemp("served")) as page:
        yield page


@pytest.fixture(scope="session")
def chromium():
    with page_kit.browser() as browser:
        yield browser


@pytest.fixture
def phone(chromium, served):
    """A phone's browser that was let in; what its pages complain of fails the test."""
    context = chromium.new_context(**page_kit.PHONE)
    page = context.new_page()
    page.set_default_timeout(20_000)
    complaints = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda told: complaints.append(told.text) if told.type == "error" else None)
    page.goto(served.link)
    yield page
    context.close()
    assert complaints == []
