"""Files that cannot be opened, or are no text: one clear message each."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.measure.files import open_curve
from optimizer.measure.files.text import decode_text

PLAIN = "20.5 80.1 -30.5\n200.25 81.25 10\n2000.5 79 120.75\n"


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b"%PDF-1.7\n1 2 3\n", "PDF"),
        (b"\x89PNG\r\n\x1a\n\x00\x00", "image"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "image"),
        (b"PK\x03\x04 sheet", "spreadsheet"),
        (b"RIFF1234WAVEfmt ", "sound"),
        (b"10 80 0\n\x00\x01\x02\x0320 80 0\n", "NUL"),
        (b"10 80 0\n\x07\x0820 80 0\n", "control"),
        (b"\xff\xfe1\x002\x003", "damaged"),
    ],
)
def test_binary_file(tmp_path, raw, what):
    """What is not text is refused by name, with the file and a remedy."""
    path = tmp_path / "curve.txt"
    path.write_bytes(raw)
    with pytest.raises(InputError) as caught:
        open_curve(path, "pressure")
    assert what in caught.value.rule
    assert caught.value.file == str(path)
    assert caught.value.remedy


@pytest.mark.parametrize(
    "raw", ["10 °C".encode("latin-1"), "10 °C".encode(), "10 °C".encode("utf-16")]
)
def test_degree_sign_survives_every_encoding(raw):
    """The same text comes out whatever wrote it."""
    assert decode_text(raw) == "10 °C"


def test_missing_file(tmp_path):
    """A missing file is one clear message."""
    with pytest.raises(InputError, match="must exist"):
        open_curve(tmp_path / "none.txt", "pressure")


def test_folder(tmp_path):
    """A folder is no file."""
    with pytest.raises(InputError, match="folder"):
        open_curve(tmp_path, "pressure")


def test_name_that_cannot_be_a_file():
    """A NUL in a name is bad input, not a crash."""
    with pytest.raises(InputError):
        open_curve("a\x00b.txt", "pressure")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipe_is_refused_instead_of_waited_for(tmp_path):
    """A named pipe would block for ever."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="regular file"):
        open_curve(tmp_path / "pipe", "pressure")


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() == 0, reason="permissions do not bind this user"
)
def test_unreadable_file(tmp_path):
    """A file without read permission is one clear message."""
    path = tmp_path / "locked.txt"
    path.write_text(PLAIN)
    path.chmod(0)
    try:
        with pytest.raises(InputError, match="cannot be read"):
            open_curve(path, "pressure")
    finally:
        path.chmod(stat.S_IRUSR | stat.S_IWUSR)


def test_failing_read_is_bad_input(tmp_path, monkeypatch):
    """An error of the operating system while reading is one clear message."""
    path = tmp_path / "curve.txt"
    path.write_text(PLAIN)

    def fail(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "stat", fail)
    with pytest.raises(InputError, match=r"cannot be read \(permission denied\)"):
        open_curve(path, "pressure")


def test_absurd_size(tmp_path):
    """A file beyond 50 MB is refused before it is read."""
    path = tmp_path / "huge.txt"
    with path.open("wb") as file:
        file.truncate(50_000_001)
    with pytest.raises(InputError, match="50 MB"):
        open_curve(path, "pressure")
