"""Files are written whole or not at all, and every failure is explained."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from calibration.errors import BadFile
from calibration.files import read_bytes, write_atomically


def test_a_file_is_replaced_whole_and_through_a_link(tmp_path):
    target, link = tmp_path / "target", tmp_path / "link"
    target.write_bytes(b"old")
    link.symlink_to(target)
    write_atomically(link, b"new")
    assert target.read_bytes() == b"new"
    assert link.is_symlink()
    assert sorted(os.listdir(tmp_path)) == ["link", "target"]


def test_a_new_file_gets_the_usual_permissions(tmp_path):
    write_atomically(tmp_path / "mine", b"x")
    (tmp_path / "plain").write_bytes(b"x")
    modes = {stat.S_IMODE((tmp_path / name).stat().st_mode) for name in ("mine", "plain")}
    assert len(modes) == 1


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("gone/file", "does not exist"),
        ("file/below", "does not exist"),
        (".", "is a folder"),
        ("x" * 300, "too long"),
        ("a\0b", "not a file name"),
    ],
)
def test_a_place_that_cannot_be_written_is_explained(tmp_path, name, words):
    (tmp_path / "file").write_bytes(b"kept")
    with pytest.raises(BadFile, match=words):
        write_atomically(tmp_path / name if "\0" not in name else f"{tmp_path}/{name}", b"x")
    assert os.listdir(tmp_path) == ["file"]


@pytest.mark.parametrize("name", ["", Path("")])
def test_an_empty_name_is_told(name):
    with pytest.raises(BadFile, match="no file was named"):
        read_bytes(name, "a card definition", 100)


def test_a_device_is_never_replaced():
    with pytest.raises(BadFile, match="device"):
        write_atomically("/dev/null", b"x")
    assert not Path("/dev/null").is_file()


def test_a_failed_write_keeps_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "card.toml"
    path.write_bytes(b"old")

    def full(_fd):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(BadFile, match="disk is full"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"
    assert os.listdir(tmp_path) == ["card.toml"]


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_closed_folder_is_explained(tmp_path):
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(BadFile, match="no permission"):
            write_atomically(tmp_path / "file", b"x")
    finally:
        tmp_path.chmod(0o700)
