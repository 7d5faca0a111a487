"""The diary file: any YAML reader reads it, damage is located, and no entry is ever lost."""

from __future__ import annotations

import contextlib
import json
import random
import re
import shutil
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from pathlib import Path

import jsonschema
import pytest
import yaml

from optimizer.bench.diary.file import Booking, FoundValue, read_diary
from optimizer.bench.diary.keep import Deed, add_deed, check_words
from optimizer.bench.networks.file import load_network
from optimizer.errors import InputError
from optimizer.problem.candidate import Candidate
from optimizer.problem.figures import build_candidate
from optimizer.problem.fingerprint import fingerprint
from optimizer.problem.problem import Problem
from optimizer.report.documents.diary import diary_to_json, document_diary
from optimizer.report.reference import make_schema
from optimizer.search.prove.exact import enumerate_best
from optimizer.testing import small_problem
from optimizer.text.register import open_register
from optimizer.text.writing import write_text
from tests.end_to_end.mutations import spoil_bytes, spoil_text

ODD = (
    "plain",
    'colon: and "quotes", # no comment, {brace}, [bracket], & * ! | > \' % @ `',
    "- begins like a list",
    "--- begins like an entry",
    "sum: like a sum",
    "yes",
    "1e5",
    "ä ö ü ß é Ł 漢字 \U0001f3b5 Ω",
    "back\\slash and trailing dots...",
)


@pytest.fixture(scope="module")
def problem() -> Problem:
    return small_problem()


@pytest.fixture(scope="module")
def best(problem: Problem) -> tuple[Candidate, ...]:
    """Two networks of the problem."""
    return enumerate_best(problem, top=2).candidates


@pytest.fixture(scope="module")
def written(
    tmp_path_factory: pytest.TempPathFactory, problem: Problem, best: tuple[Candidate, ...]
) -> Path:
    """A diary with a build, a verification and a note; read only."""
    path = tmp_path_factory.mktemp("diary") / "speaker.diary"
    booked = Booking(file="shelf.csv", row='a | "b"', pieces=2, cabinet="left")
    build = Deed(
        did="build", says="no. 1", problem=problem, cabinets=["left"], booked=[booked],
        networks=[(f"results.json#{c.rank}", c) for c in best],
    )  # fmt: skip
    add_deed(path, build)
    value = FoundValue(
        slot="tweeter.C1", of="value", designed=5e-6, found=4.9e-6, low=4.8e-6, high=5e-6,
        narrowed=0.4,
    )  # fmt: skip
    add_deed(path, Deed(did="verified", says="fine", verdict="pass", values=[value]))
    add_deed(path, Deed(did="note", says="a bit bright"))
    return path


@pytest.fixture
def diary(written: Path, tmp_path: Path) -> Path:
    """The same to be spoiled."""
    return Path(shutil.copy(written, tmp_path / written.name))


def test_entries_come_back(diary: Path, problem: Problem, best: tuple[Candidate, ...]) -> None:
    """What was written is read, the network to the last digit of what it costs."""
    build, verified, note = read_diary(diary).entries
    assert (build.number, verified.number, note.number) == (1, 2, 3)
    assert build.cabinets == ("left",)
    assert build.booked == (Booking(file="shelf.csv", row='a | "b"', pieces=2, cabinet="left"),)
    assert build.of == problem.fingerprints
    assert verified.values[0].designed == 5e-6
    assert verified.verdict == "pass"
    assert note.says == "a bit bright"
    for k, candidate in enumerate(best, start=1):
        network = load_network(f"{diary}#1.{k}", problem)
        assert fingerprint(network) == fingerprint(candidate.network)
        assert build_candidate(problem, network).cost == pytest.approx(candidate.cost, abs=1e-9)
        assert build.networks[k - 1].cost == pytest.approx(candidate.cost, rel=1e-9)


def test_any_reader_of_yaml_reads_it(diary: Path) -> None:
    """And finds each entry as the published schema says."""
    stored = json.loads(
        (files("optimizer") / "guide" / "schemas" / "diary.schema.json").read_text("utf-8")
    )
    assert stored == make_schema("diary")
    check = jsonschema.Draft202012Validator(stored)
    entries = list(yaml.safe_load_all(diary.read_text("utf-8")))
    assert [entry["did"] for entry in entries] == ["build", "verified", "note"]
    for entry in entries:
        assert [error.message for error in check.iter_errors(entry)] == []
        assert not check.is_valid({**entry, "colour": "red"})
    assert entries[1]["values"][0]["designed"] == 5e-6


def test_odd_words_are_kept(tmp_path: Path) -> None:
    path = tmp_path / "odd.diary"
    for words in ODD:
        add_deed(path, Deed(did="note", says=check_words(words, "--note")))
    assert [entry.says for entry in read_diary(path).entries] == list(ODD)
    assert [entry["says"] for entry in yaml.safe_load_all(path.read_text("utf-8"))] == list(ODD)


@pytest.mark.parametrize("words", ["", " \t", "a\x1b[2Jb", "\u202eturned", "a\x00b", "x" * 6000])
def test_words_that_cannot_be_seen_are_refused(words: str) -> None:
    with pytest.raises(InputError, match="a note is some words that can be seen"):
        check_words(words, "--note")


@pytest.mark.parametrize(
    ("change", "line", "says"),
    [
        (lambda t: t.replace("a bit bright", "a bit dull"), -5, "was changed since it was written"),
        (lambda t: t.replace("did: note", "did: noet"), -3, "one of begun"),
        (lambda t: t.replace("did: note\n", ""), -4, "an entry says what was done"),
        (lambda t: t.replace('says: "no. 1"', 'says: "no. 1'), None, "must be valid YAML"),
        (lambda t: t.replace('says: "fine"', "says: [fine"), None, "entry 2 was damaged or edited"),
        (lambda t: t.replace("a bit bright", "a bit \x1b[2J"), -2, "characters that can be seen"),
        (lambda t: t[: t.rindex("sum:")], -4, "ends with its sum: it was cut off"),
        (lambda t: t[: t.rindex("says:") + 8], -1, "entry 3 was damaged or edited"),
        (lambda t: "stray\n" + t, 1, 'an entry begins with a line "---"'),
    ],
)
def test_damage_is_located(diary: Path, change: object, line: int | None, says: str) -> None:
    """Every damage ends in one message with the line; negative ones count from the end."""
    text = diary.read_text("utf-8")
    assert callable(change)
    spoiled = change(text)
    assert spoiled != text
    diary.write_text(spoiled, "utf-8")
    with pytest.raises(InputError) as caught:
        read_diary(diary)
    assert says in str(caught.value)
    assert caught.value.file == str(diary)
    last = len(spoiled.rstrip("\n").split("\n"))
    if line is not None:
        assert caught.value.line is not None
        assert caught.value.line == (line if line > 0 else last + 1 + line), str(caught.value)


def test_a_byte_that_is_no_text_is_located(diary: Path) -> None:
    diary.write_bytes(diary.read_bytes().replace(b"fine", b"f\xffne"))
    with pytest.raises(InputError, match=r"the byte 0xff") as caught:
        read_diary(diary)
    lines = diary.read_bytes().split(b"\n")
    assert lines[(caught.value.line or 0) - 1] == b'says: "f\xffne"'


def test_who_stands_by_a_change_is_believed(diary: Path) -> None:
    text = diary.read_text("utf-8").replace("a bit bright", "a bit dull")
    head, _, _ = text.rpartition("sum:")
    diary.write_text(head + "sum: by hand\n", "utf-8")
    entry = read_diary(diary).entries[-1]
    assert (entry.says, entry.by_hand) == ("a bit dull", True)


def test_what_was_cut_off_is_not_lost_by_adding(diary: Path) -> None:
    """After a power cut in the middle of an entry the next one stands on lines of its own."""
    before = diary.read_bytes()
    diary.write_bytes(before + b"---\ndate: 2026")
    assert add_deed(diary, Deed(did="note", says="after")) == 5
    assert diary.read_bytes().startswith(before + b"---\ndate: 2026\n---\n")
    with pytest.raises(InputError, match="entry 4 was damaged"):
        read_diary(diary)


def test_two_who_write_at_once_lose_nothing(tmp_path: Path) -> None:
    """Eight at a time: every entry is whole, and each was told a number of its own."""
    path = tmp_path / "busy.diary"
    says = [f"note {k} " + "x" * 500 for k in range(64)]
    with ThreadPoolExecutor(8) as pool:
        numbers = list(pool.map(lambda one: add_deed(path, Deed(did="note", says=one)), says))
    assert sorted(numbers) == list(range(1, 65))
    entries = read_diary(path).entries
    assert {entry.number: entry.says for entry in entries} == dict(zip(numbers, says, strict=True))


def test_a_disk_that_fills_up_leaves_what_was_there(
    diary: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import os

    before, write = diary.read_bytes(), os.write
    monkeypatch.setattr("os.write", lambda handle, data: write(handle, data[:20]))
    with pytest.raises(InputError, match="nothing could be added"):
        add_deed(diary, Deed(did="note", says="lost"))
    assert diary.read_bytes() == before


@pytest.mark.parametrize("force", [False, True])
def test_no_output_takes_its_place(diary: Path, force: bool) -> None:
    from optimizer.text.writing import claim_output

    before = diary.read_bytes()
    with open_register(force=force), pytest.raises(InputError, match="kept for diaries"):
        claim_output(diary, option="--json")
    with open_register(), pytest.raises(InputError, match="is not replaced"):
        write_text(diary, "mine")
    assert diary.read_bytes() == before


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    import os

    (tmp_path / "folder.diary").mkdir()
    os.mkfifo(tmp_path / "pipe.diary")
    for name in ("folder.diary", "pipe.diary", "none/x.diary"):
        with pytest.raises(InputError, match="nothing could be added"):
            add_deed(tmp_path / name, Deed(did="note", says="x"))


@pytest.mark.parametrize("share", range(4))
def test_whatever_is_spoiled_ends_in_one_message(
    share: int, diary: Path, problem: Problem, trials: Callable[..., int]
) -> None:
    """Spoiled anywhere, and vouched for by hand so that nothing but the reader stands in the way."""
    text = diary.read_bytes()
    for seed in range(share, trials(routine=40, full=4000), 4):
        draw = random.Random(seed)
        spoiled = draw.choice((spoil_text, spoil_bytes))(text, draw)
        if draw.random() < 0.7:
            spoiled = re.sub(rb"(?m)^sum:.*$", b"sum: by hand", spoiled)
        diary.write_bytes(spoiled)
        with contextlib.suppress(InputError):
            found = read_diary(diary)
            for entry in found.entries:
                for k, _ in enumerate(entry.networks, start=1):
                    load_network(f"{diary}#{entry.number}.{k}", problem)
            document_diary(found)
            json.dumps(diary_to_json(found), allow_nan=False)
