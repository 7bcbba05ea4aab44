"""`.ci/advisories` against a database that answers as osv.dev documents it (/v1/querybatch)."""

from __future__ import annotations

import http.server
import json
import subprocess
import sys
import threading
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


class Database(http.server.BaseHTTPRequestHandler):
    """Knows one fault, of whatever is called pillow."""

    asked: list[dict] = []  # noqa: RUF012  (one server at a time)

    def do_POST(self) -> None:
        queries = json.loads(self.rfile.read(int(self.headers["Content-Length"])))["queries"]
        Database.asked = queries
        faulty = [{"vulns": [{"id": "OSV-1"}]} if q["package"]["name"] == "pillow" else {}
                  for q in queries]  # fmt: skip
        body = json.dumps({"results": faulty}).encode()
        self.send_response(200)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


@pytest.fixture
def database():
    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Database)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}/v1/querybatch"
    server.shutdown()
    thread.join()
    server.server_close()


def _advisories(url: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(ROOT / ".ci" / "advisories"), url],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


def test_a_fault_of_a_floor_is_told_and_fails(database):
    done = _advisories(database)
    assert done.returncode == 1
    assert "OSV-1" in next(line for line in done.stdout.splitlines() if line.startswith("pillow "))
    assert "opencv-python" in {query["package"]["name"] for query in Database.asked}
    assert all(query["version"] for query in Database.asked)


def test_a_database_out_of_reach_is_told():
    done = _advisories("http://127.0.0.1:9/v1/querybatch")
    assert done.returncode == 0
    assert done.stdout.startswith("not checked")
