"""Files that cannot be opened, or are no text: one clear message each."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.measure.files import open_curve
from optimizer.stock.shelf import read_parts_list
from optimizer.text.reading import decode_text
from optimizer.text.yamltext import read_yaml

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
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "utf-32", "latin-1"]
)
def test_degree_sign_survives_every_encoding(encoding):
    """The same text comes out whatever wrote it; without leave no byte is guessed at."""
    raw = "a: 1\nb: 10 °C\n".encode(encoding)
    assert decode_text(raw, "file", legacy=True) == "a: 1\nb: 10 °C\n"
    if encoding != "latin-1":
        assert decode_text(raw, "file") == "a: 1\nb: 10 °C\n"
        return
    with pytest.raises(InputError, match="0xb0") as caught:
        decode_text(raw, "file")
    assert caught.value.line == 2


def test_every_kind_of_text_file_takes_every_encoding(tmp_path):
    """Designs, lists of parts and measured files go through one gate: UTF-16 with and without mark."""
    for encoding in ("utf-16", "utf-16-le", "utf-8-sig"):
        for name, text in (("a.yaml", "a: µ\n"), ("a.csv", "value\n4.7 µF\n"), ("a.txt", PLAIN)):
            (tmp_path / name).write_bytes(text.encode(encoding))
        assert read_yaml(tmp_path / "a.yaml").fields()["a"].text() == "µ"
        assert read_parts_list(tmp_path / "a.csv").lots[0].part.value == 4.7e-6
        assert len(open_curve(tmp_path / "a.txt", "pressure").frequency_hz) == 3


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
