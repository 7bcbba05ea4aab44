"""Commands as a person gives them: exit code, stdout and stderr; or their JSON."""

from __future__ import annotations

import json

from drawdown.commands import main as cli


def run(capsys, *args: object) -> tuple[int, str, str]:
    capsys.readouterr()
    code = cli.main([str(arg) for arg in args])
    out, err = capsys.readouterr()
    return code, out, err


def json_of(capsys, *args: object) -> dict:
    code, out, err = run(capsys, *args, "--json")
    assert code == 0, err
    return json.loads(out)
