"""Reading YAML with line numbers: what is refused, and where the message points."""

from __future__ import annotations

from pathlib import Path

import pytest

from optimizer.errors import InputError
from optimizer.text.yamltext import Entry, parse_yaml, read_yaml


def read(text: str) -> Entry:
    return parse_yaml(text, file="design.yaml")


def refuse(text: str) -> InputError:
    with pytest.raises(InputError) as caught:
        read(text).fields()
    return caught.value


def test_entry_knows_line_and_dotted_key() -> None:
    """Every entry carries its line, counted from 1, and its key from the top."""
    ways = read("a: 1\nways:\n  woofer:\n    ladder:\n      - {name: L1}\n").fields()["ways"]
    slot = ways.fields()["woofer"].fields()["ladder"].items()[0].fields()["name"]
    assert (slot.where.line, slot.where.key) == (5, "ways.woofer.ladder[0].name")


def test_scalars_stay_as_written() -> None:
    """Numbers and words that YAML 1.1 would turn into something else stay text."""
    fields = read('on: 010\nx: 4:30\ny: "0.50"\n').fields()
    assert [entry.text() for entry in fields.values()] == ["010", "4:30", "0.50"]
    assert list(fields) == ["on", "x", "y"]


@pytest.mark.parametrize(
    ("word", "value"),
    [("yes", True), ("no", False), ("on", True), ("Off", False), ("true", True), ("FALSE", False)],
)
def test_flags_are_read_as_yaml_reads_them(word: str, value: bool) -> None:
    """Flags follow YAML 1.1."""
    assert read(f"a: {word}").fields()["a"].flag() is value


def test_a_word_is_no_flag() -> None:
    """A word that YAML 1.1 does not take for a flag is refused."""
    with pytest.raises(InputError, match="yes or no"):
        read("a: maybe").fields()["a"].flag()


def test_duplicate_key_names_both_lines() -> None:
    """A key that stands twice in one block is refused; the message gives both lines."""
    error = refuse("a: 1\nb: 2\na: 3\n")
    assert error.line == 3
    assert "line 1" in error.rule


def test_tab_in_indentation_is_explained() -> None:
    """A tab before a key is named as the cause, in its own line."""
    error = refuse("drivers:\n\twoofer: 1\n")
    assert (error.line, error.value) == (2, "a tab")
    assert "spaces" in error.rule


@pytest.mark.parametrize(
    ("text", "line"),
    [("a: [1, 2\nb: 3\n", 2), ("a: 1\n  b: 2\n", 2), ("a: b: c\n", 1), ('a: "x\n', 2),
     ("a: *nothing\n", 1), ("a: 1\n---\nb: 2\n", 2), ("{[1]: 2}\n", 1), ("- 1\n", 1),
     ("text\n", 1), ("a: @x\n", 1)],
)  # fmt: skip
def test_broken_yaml_gives_its_line(text: str, line: int) -> None:
    """Whatever is no YAML mapping is one error with file and line."""
    error = refuse(text)
    assert error.file == "design.yaml"
    assert error.line == line


@pytest.mark.parametrize("text", ["", "# only a comment\n", "---\n", "~\n"])
def test_empty_text_is_refused(text: str) -> None:
    """A file without content says that it is empty."""
    with pytest.raises(InputError, match="empty"):
        read(text)


def test_deep_nesting_is_refused() -> None:
    """Nesting beyond Python's recursion limit is an input error."""
    with pytest.raises(InputError, match="nested"):
        read("[" * 5000)


def test_anchors_and_merging_work() -> None:
    """A block can be repeated by an anchor and merged; own keys win."""
    fields = read("a: &a {x: 1, y: 2}\nb: {<<: *a, y: 3}\nc: *a\n").fields()
    assert {k: e.text() for k, e in fields["b"].fields().items()} == {"x": "1", "y": "3"}
    assert fields["c"].fields()["x"].text() == "1"


def test_merging_with_itself_is_refused() -> None:
    """An anchor merged into itself ends in an error, not in an endless loop."""
    with pytest.raises(InputError, match="within itself"):
        read("a: &a {<<: *a}\n").fields()["a"].fields()


def test_unknown_key_gets_a_suggestion() -> None:
    """A misspelt key is answered with the likely one, an alien key with the list."""
    with pytest.raises(InputError) as caught:
        read("impedence: 1\n").fields(("response", "impedance"))
    assert caught.value.remedy == 'did you mean "impedance"?'
    with pytest.raises(InputError) as caught:
        read("zzz: 1\n").fields(("response", "impedance"))
    assert caught.value.remedy == "known here: response, impedance"


def test_decimal_comma_in_braces_is_explained() -> None:
    """{from: 4,7 uF} splits at the comma; the message says how to write it."""
    with pytest.raises(InputError, match="quotes"):
        read("{from: 4,7 uF}").fields(("from", "to"))


@pytest.mark.parametrize("text", ["nan", "inf", "1_000", "four", "1e400", "[1]", ""])
def test_numbers_must_be_finite_and_plain(text: str) -> None:
    """A number is digits, sign, point and exponent, within range."""
    with pytest.raises(InputError):
        read(f"a: {text}").fields()["a"].number()


@pytest.mark.parametrize("text", ["1.5", "one", "--1", "-1", "9" * 5000])
def test_whole_numbers_must_be_whole(text: str) -> None:
    """A whole number has no point, one sign at most and a sensible length."""
    with pytest.raises(InputError):
        read(f"a: {text}").fields()["a"].whole_number()


def test_files_in_several_encodings_are_read(tmp_path: Path) -> None:
    """UTF-8 with and without mark, and UTF-16 with mark, give the same text."""
    for encoding in ("utf-8", "utf-8-sig", "utf-16"):
        path = tmp_path / f"{encoding}.yaml"
        path.write_bytes("a: µ\n".encode(encoding))
        assert read_yaml(path).fields()["a"].text() == "µ"


@pytest.mark.parametrize("data", [b"a: \xff\n", b"a: 1\nb: \x00\n", b"\x89PNG\r\n\x1a\n\x00"])
def test_binary_files_are_refused(tmp_path: Path, data: bytes) -> None:
    """Bytes that are no text are refused with the line they stand in."""
    path = tmp_path / "design.yaml"
    path.write_bytes(data)
    with pytest.raises(InputError, match="plain text") as caught:
        read_yaml(path)
    assert caught.value.line is not None


def test_missing_file_and_folder_are_refused(tmp_path: Path) -> None:
    """A path that is no readable file is an input error with the path."""
    for path in (tmp_path / "none.yaml", tmp_path, tmp_path / "none" / "x.yaml"):
        with pytest.raises(InputError) as caught:
            read_yaml(path)
        assert caught.value.file == str(path)
