"""Who is let in, and what is refused.

Host: RFC 9110, 7.2, against DNS rebinding; Origin: RFC 6454, 7; cookies: RFC 6265bis; policies:
W3C Content Security Policy Level 3. The rest are rules of our own.
"""

from __future__ import annotations

import time

import page_kit
import pytest

from calibration.errors import BadFile, WrongUsage

pytestmark = pytest.mark.slow


@pytest.mark.parametrize(("port", "error", "told"), [
    (99999, WrongUsage, "given as"), (-1, WrongUsage, "given as"), (None, BadFile, "be used"),
])  # fmt: skip
def test_a_port_that_cannot_be_had_is_explained(port, error, told):
    from drawdown.page.server import listen

    with listen("127.0.0.1", 0) as taken:
        taken.listen()
        wanted = taken.getsockname()[1] if port is None else port
        with pytest.raises(error, match=told):
            listen("127.0.0.1", wanted)


def test_the_link_lets_in_and_the_cookie_is_closed_to_scripts_and_other_sites(served):
    status, headers, _ = served.ask(f"/?key={served.key}")
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert served.key.lower() not in cookie
    status, headers, told = served.ask("/", phone=served.phone())
    assert status == 200
    assert b"Take or choose a photo" in told
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"


@pytest.mark.parametrize("path", ["/", "/look/" + "0" * 32, "/static/page.css", "/nothing"])
def test_nothing_is_answered_without_the_key(served, path):
    for phone in ("", "x", "a" * 32 + "." + "0" * 64):
        status, _, told = served.ask(path, phone=phone)
        assert status == 403
        assert b"code that the terminal shows" in told
        assert b"stylesheet" not in told


def test_wrong_keys_are_answered_late_and_later_each_time(served):
    took = []
    for key in ("wrong", "wronger", served.key[:-1]):
        start = time.monotonic()
        assert served.ask(f"/?key={key}")[0] == 403
        took.append(time.monotonic() - start)
    assert took[0] > 0.4
    assert took[2] > 3 * took[0]


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:80", "", "192.168.0.1", "localhost.evil.example"]
)
def test_another_name_is_not_this_page(served, host):
    status, _, told = served.ask(f"/?key={served.key}", Host=host)
    assert status in (400, 421)
    assert served.key.encode() not in told


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "null"},
        {"Origin": "http://evil.example"},
        {"Origin": "OWN", "Sec_Fetch_Site": "cross-site"},
    ],
)
def test_a_post_from_another_site_is_refused(served, headers):
    body, kind = page_kit.form(page_kit.PHOTOS / "match.jpg")
    headers = {k: served.origin if v == "OWN" else v for k, v in headers.items()}
    status, _, told = served.ask(
        "/look", "POST", body, phone=served.phone(), Content_Type=kind, **headers
    )
    assert status == 403
    assert b"Another site" in told


def test_a_form_of_another_site_in_the_browser_is_refused(served, phone):
    """The browser itself sends the cookie's phone to a page on another port of this machine."""
    import http.server
    import threading

    class Evil(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(
                f"<form method=post action={served.origin}/look enctype=multipart/form-data>"
                "<button>Win</button></form>".encode()
            )

        def log_message(self, *told):
            """Nothing."""

    with http.server.HTTPServer(("127.0.0.1", 0), Evil) as evil:
        threading.Thread(target=evil.serve_forever, daemon=True).start()
        page = phone.context.new_page()
        page.goto(f"http://127.0.0.1:{evil.server_port}/")
        page.click("button")
        page.wait_for_selector("text=Another site tried to send this.")
        evil.shutdown()
