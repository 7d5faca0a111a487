"""The table of keys is the reader: its examples are read, its fields exist, its limits hold."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from optimizer.bench.networks.file import NETWORK_KEYS
from optimizer.design.keys import find_key, say_in_file
from optimizer.design.read.file import DESIGN_KEYS, MEASURED_KEYS, load_design
from optimizer.errors import InputError, Subject
from optimizer.text.keys import Key, KeyBlock, NumberForm, QuantityForm, walk_keys
from optimizer.text.yamltext import parse_yaml

KEYS = {
    f"{noun}: {dotted}": (block, key)
    for noun, file in (("design", DESIGN_KEYS), ("network", NETWORK_KEYS))
    for dotted, block, key in walk_keys(file)
}


@pytest.mark.parametrize("dotted", KEYS)
def test_every_example_is_read(dotted: str) -> None:
    """What a key shows as an example is what its reader takes."""
    _, key = KEYS[dotted]
    entry = parse_yaml(f"{key.name}: {key.example}", file="d.yaml").fields()[key.name]
    key.form.read(entry)
    assert key.meaning
    assert key.form.words


@pytest.mark.parametrize("dotted", KEYS)
def test_every_key_fills_a_field(dotted: str) -> None:
    """What need not be written has a default in its noun, or says what stands for it."""
    block, key = KEYS[dotted]
    if block.takes(key) and block.default_of(key) is dataclasses.MISSING:
        assert key.needed or "when not written" in key.meaning


def test_the_examples_make_a_design(tmp_path: Path) -> None:
    """The examples of all top keys together are a design file."""
    # Where two ways meet needs a second one, which the examples of the others do not have.
    (tmp_path / "old-board.yaml").write_text("ways: {woofer: {ladder: []}}", encoding="utf-8")
    for others in (
        ("network", "values", "cross", "board"),
        ("network", "values", "cross"),
        ("ways", "shared", "cross", "board"),
    ):
        text = "".join(
            f"{key.name}: {key.example}\n" for key in DESIGN_KEYS.keys if key.name not in others
        )
        (tmp_path / "d.yaml").write_text(text, encoding="utf-8")
        design = load_design(tmp_path / "d.yaml")
        assert design.title == "Chapel three-way"
        assert [driver.name for driver in design.drivers] == ["woofer"]
        assert "L1" in [slot.name for slot in design.topology.ways[0].slots]


def test_lower_layers_find_their_keys() -> None:
    """The keys know by which nouns lower layers speak of them."""
    assert find_key(Subject("driver", "tweeter", "highest frequency")) == (
        "drivers.tweeter.limits.highest_hz"
    )
    assert say_in_file(Subject("driver", part="power")) == (
        '"limits: {watts: 80}" under drivers.NAME'
    )
    assert (
        say_in_file(Subject("drivers", part="estimated directions"))
        == '"measured: {estimate: yes}"'
    )
    assert find_key(Subject("stock", part="equal values")) == "stock"
    assert find_key(Subject("way", "low")) == "ways.low"
    assert say_in_file(Subject("goal", "on_axis", "hard")) == '"hard: no" under goals.on_axis'
    assert say_in_file(Subject("goals")) == '"goals: {on_axis: {weight: 1}}"'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "volts: 0",
            'd.yaml:1: volts: the value must be above 0 V, got 0; write for instance "2.83"',
        ),
        ("gate: 2 s", "d.yaml:1: gate: a gate ends within"),
        ("clock: maybe", "one of shared, none is expected, got 'maybe'; known here: shared, none"),
        ("vots: 3", "unknown key, got 'vots'; did you mean \"volts\"?"),
    ],
)
def test_errors_show_how_it_may_be_written(text: str, said: str) -> None:
    """A value that breaks its rule is answered with the rule and with the key's example."""
    with pytest.raises(InputError) as caught:
        MEASURED_KEYS.read(parse_yaml(text, file="d.yaml"))
    assert said in str(caught.value)


def test_limits_are_those_that_are_told() -> None:
    """The words of a form name the limits it keeps."""
    block = KeyBlock(
        noun=dict,
        keys=(
            Key(name="n", form=NumberForm(above=0.0, most=9.0), meaning="a number", example="3"),
            Key(
                name="q",
                form=QuantityForm("m", least=0.2, most=5.0),
                meaning="a length",
                example="1 m",
            ),
            Key(
                name="w",
                form=NumberForm(least=2, most=4, whole=True),
                meaning="a count",
                example="2",
            ),
        ),
    )
    assert [key.form.words for key in block.keys] == [
        "number, above 0, to 9", "value in m, from 200 mm, to 5 m", "whole number, from 2, to 4",
    ]  # fmt: skip
    for text in ("n: 0", "n: 9.1", "q: 0.19 m", "q: 5.01 m", "w: 1", "w: 2.5", "w: 5"):
        with pytest.raises(InputError):
            block.read(parse_yaml(text, file="d.yaml"))
    read = block.read(parse_yaml("{n: 9, q: 0.2, w: 2}", file="d.yaml"))
    assert read == {"n": 9.0, "q": 0.2, "w": 2}
