"""The pages against the Web Content Accessibility Guidelines 2.2, A and AA, by axe-core
(tests/data/axe): no fault that it calls serious or critical, in light and in dark."""

from __future__ import annotations

from pathlib import Path

import page_kit
import pytest

pytestmark = pytest.mark.slow
AXE = (Path(__file__).parents[2] / "data" / "axe" / "axe.min.js").read_text(encoding="utf-8")
RULES = "{runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']}"


def faults(page) -> list[str]:
    page.evaluate(AXE)
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        told = page.evaluate(f"axe.run({RULES})")
        assert told["passes"], "nothing was checked"
        found += [
            f"{scheme}: {one['id']}: {one['nodes'][0]['html']}"
            for one in told["violations"]
            if one["impact"] in ("serious", "critical")
        ]
    return found


def test_no_page_has_a_serious_fault(phone, served):
    found = {"home": faults(phone)}
    phone.set_input_files("form#send input[name=photo]", page_kit.PHOTOS / "no-match.jpg")
    phone.wait_for_selector(".verdict h1")
    found["verdict"] = faults(phone)
    phone.click("text=Correct by touch")
    phone.wait_for_selector("#photo")
    found["touch"] = faults(phone)
    phone.goto(f"{served.origin}/book")
    phone.wait_for_selector("h1")
    found["book"] = faults(phone)
    phone.goto(f"{served.origin}/guide/readings")
    found["guide"] = faults(phone)
    assert not any(found.values()), found


def test_a_fault_is_seen(phone):
    phone.evaluate("document.querySelector('input[type=file]').removeAttribute('aria-label')")
    phone.evaluate("document.querySelectorAll('label').forEach(one => one.replaceWith('x'))")
    phone.evaluate("document.body.insertAdjacentHTML('beforeend', '<input type=text>')")
    assert any("label" in one for one in faults(phone))
