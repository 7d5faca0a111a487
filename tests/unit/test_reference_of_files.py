"""The reference of the files tells what is read, its examples are read, and guesses lead to it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest
import yaml

from optimizer.bench.networks.file import read_network
from optimizer.cli.keys import EXAMPLES
from optimizer.design.build import build_problem, load_design
from optimizer.errors import InputError
from optimizer.report.documents.keys import document_keys, show_in_place
from optimizer.report.reference import find_keys, list_keys, make_schema
from optimizer.report.render.terminal import print_text
from optimizer.stock.columns import COLUMNS_TOLD, HEADINGS
from optimizer.stock.shelf import read_parts_list
from optimizer.testing import FILE_HZ, write_driver
from optimizer.text.guesses import _GUESSES, _IMPOSSIBLE
from tests.conftest import Done

Run = Callable[..., Done]
PACKAGE = Path(__file__).resolve().parents[2] / "optimizer"
GUIDE = PACKAGE / "guide"
KEYS = {f"{key.file}: {key.dotted}": key for key in list_keys()}


def test_all_keys_are_told(laddersmith: Run) -> None:
    """The list names every key with an example and what it is; none is told twice."""
    assert len(KEYS) == len(list_keys()) > 150
    assert set(COLUMNS_TOLD) == set(HEADINGS)
    assert all(key.example and key.meaning for key in KEYS.values())
    done = laddersmith("keys")
    assert done.returncode == 0
    for said in ("drivers.NAME.limits:", "ways.NAME.ladder[0]:", "watts ", "response* ", "seed "):
        assert said in done.stdout
    wide = print_text(document_keys(list_keys()), width=2000)
    for key in KEYS.values():
        if not key.repeats and not key.dotted.startswith("goals."):
            assert key.meaning in wide


@pytest.mark.parametrize("what", [name for name in KEYS if not name.startswith("shelf")])
def test_examples_stand_where_they_belong(what: str) -> None:
    """The lines that are shown are YAML in which the key has its place and its value."""
    key = KEYS[what]
    found = yaml.safe_load("\n".join(show_in_place(key)))
    for step in key.dotted.split("."):
        name = step.removesuffix("[0]")
        assert isinstance(found, dict)
        found = next(iter(found.values())) if name == "NAME" else found[name]
        if step.endswith("[0]"):
            assert isinstance(found, list)
            found = found[0]
    assert found == yaml.safe_load(f"x: {key.example}")["x"]


def test_one_key_is_explained(laddersmith: Run) -> None:
    """By its name, by the end of its dotted name, or by what people write for it."""
    done = laddersmith("keys", "excursion")
    assert "excursion to one side that it stands" in done.stdout
    assert "to 50 mm" in done.stdout
    assert "excursion: 4 mm" in done.stdout
    assert [key.dotted for key in find_keys("limits.watts")] == ["drivers.NAME.limits.watts"]
    assert {key.name for key in find_keys("coil")} == {"inductor"}
    assert "seconds" in {key.name for key in find_keys("timeout")}
    assert next(key for key in find_keys("per_octave")).default
    done = laddersmith("keys", "excursoin")
    assert (done.returncode, done.stdout) == (2, "")
    assert 'did you mean "excursion"?' in done.stderr


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """The example files beside invented measurements; the folder."""
    low = 87.0 - 10.0 * np.log10(1.0 + (FILE_HZ / 4000.0) ** 4)
    high = 90.0 - 10.0 * np.log10(1.0 + (800.0 / FILE_HZ) ** 4)
    for name, level in (("woofer", low), ("tweeter", high)):
        write_driver(tmp_path, name, level_db=level, ohm=6.0)
        (tmp_path / f"{name}_h30.txt").write_bytes((tmp_path / f"{name}.txt").read_bytes())
    for name in EXAMPLES.values():
        (tmp_path / name).write_bytes((GUIDE / "files" / name).read_bytes())
    return tmp_path


def test_complete_examples_are_read(example: Path, laddersmith: Run) -> None:
    """Design, network and shelf as `keys` prints them belong together, and are read as meant."""
    problem = build_problem(load_design(example / "design.yaml"))
    read = read_network(str(example / "network.yaml"), problem)
    woofer, tweeter = read.network.ways
    assert [part.value for slot in woofer.slots for part in slot.parts] == [2.2e-3, 33e-6]
    assert [slot.name for slot in tweeter.slots] == ["C1", "P1", "R9"]
    shelf = read_parts_list(example / "shelf.csv")
    assert len(shelf.lots) == 10
    assert shelf.ignored == ()
    for word, name in EXAMPLES.items():
        done = laddersmith("keys", word)
        assert done.stdout == (example / name).read_text(encoding="utf-8")


@pytest.mark.parametrize("file", ["design", "network"])
def test_the_schema_is_that_of_the_reader(file: str, example: Path, laddersmith: Run) -> None:
    """What is published is made from the tables; it takes the examples, and no key that is unknown."""
    schema = json.loads((GUIDE / "schemas" / f"{file}.schema.json").read_text(encoding="utf-8"))
    assert schema == make_schema(file) == json.loads(laddersmith("keys", "--schema", file).stdout)
    check = jsonschema.Draft202012Validator(schema)
    check.check_schema(schema)
    text = (example / f"{file}.yaml").read_text(encoding="utf-8")
    # As an editor reads it: keys of YAML may be numbers, those of JSON are text.
    data = json.loads(json.dumps(yaml.safe_load(text)))
    assert [error.message for error in check.iter_errors(data)] == []
    assert not check.is_valid({**data, "colour": "red"})
    ladder = data["ways"]["woofer"]["ladder"]
    assert not check.is_valid(
        {**data, "ways": {"woofer": {"ladder": [{**ladder[0], "colour": "red"}]}}}
    )


def list_undescribed(data: object, schema: dict[str, Any], defs: dict[str, Any]) -> set[str]:
    """Keys of what was written that its schema says nothing of."""
    schema = defs[schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema
    if isinstance(data, list):
        return {
            one for item in data for one in list_undescribed(item, schema.get("items", {}), defs)
        }
    if not isinstance(data, dict) or "anyOf" in schema:
        return set()
    if not schema.keys() & {"properties", "additionalProperties"}:
        return set()  # what holds names of the user is described as a whole
    known, rest = schema.get("properties", {}), schema.get("additionalProperties")
    found = {key for key in data if key not in known and rest is None}
    for key, value in data.items():
        found |= (
            list_undescribed(value, known.get(key, rest or {}), defs) if key not in found else set()
        )
    return found


def test_results_keep_to_their_schema(fitted_demo: Path) -> None:
    """What fit wrote is valid by the published schema, and has no key that it does not describe."""
    stored = (GUIDE / "schemas" / "results.schema.json").read_text(encoding="utf-8")
    schema = json.loads(stored)
    assert schema == make_schema("results")
    check = jsonschema.Draft202012Validator(schema)
    check.check_schema(schema)
    data = json.loads((fitted_demo / "results.json").read_text(encoding="utf-8"))
    assert [error.message for error in check.iter_errors(data)] == []
    assert list_undescribed(data, schema, schema["$defs"]) == set()
    assert list_undescribed({**data, "colour": 1}, schema, schema["$defs"]) == {"colour"}
    assert not check.is_valid({**data, "candidates": [{**data["candidates"][0], "rank": "one"}]})


def test_every_guess_leads_to_a_key() -> None:
    """No entry of the tables of guesses names a key that there is not."""
    names = {key.name for key in KEYS.values()}
    assert set(_GUESSES) <= names
    assert {key for key, *_ in _IMPOSSIBLE} <= names


GUESSES = [
    ("keep: 0.33 mH, dcr: 0.21 ohm", "value: 0.33 mH, dcr: 0.21 ohm", "add keep: VALUE"),
    ("keep: 0.33 mH, dcr: 0.21 ohm", "nominal: 0.33 mH", 'write "keep: 2.2 mH"'),
    ("keep: 0.33 mH, dcr: 0.21 ohm", "fixed: 0.33 mH", 'write "keep: 2.2 mH"'),
    ("keep: 0.33 mH, dcr: 0.21 ohm", "locked: yes", 'write "keep: 2.2 mH"'),
    ("shunt: inductor, keep", "parallel: inductor, keep", 'write "shunt: capacitor"'),
    ("shunt: inductor, keep", "shunt: coil, keep", 'write "inductor"'),
    ("series: pad", "series: l-pad", 'write "pad"'),
    ("keep: 0.33 mH", "keep: 0,33 mH", "write a decimal mark as a point"),
    ("from: 2.2 uF", "min: 2.2 uF", 'write "from: 1 mH"'),
    ("polarity: free", "inverted: yes", 'write "polarity: free"'),
    ("diaphragm: 130 mm", "sd: 130 mm", 'write "diaphragm: 130 mm"'),
    ("cross: {", "crossover: {", 'write "cross: {woofer to tweeter: 1.3k .. 2.6k}"'),
    ("series: pad", "series: pad, gain: -3 dB", 'write "series: pad" or "tap: -6 dB"'),
    ("series: pad", "series: pad, frequency: 2 kHz", "a part has no frequency of its own"),
    ("polarity: free", "order: 3", "its order and corner follow from their values"),
    ("diaphragm: 130 mm", "qts: 0.4", "read from its measurements"),
    ("speaker: Chapel two-way", "box: 20 l", "measure the drivers mounted"),
    ("search: {seconds: 10", "search: {time: 10", 'write "seconds: 10"'),
    ("stock: {series: E12", "stock: {e_series: E12", 'write "series: E24"'),
    ("speaker: Chapel two-way", "max_price: 60", 'write "limits: {price: 60 EUR'),
    ("speaker: Chapel two-way", "without: electrolytic", 'write "limits: {without: electrolytic}"'),
    ("speaker: Chapel two-way", "target: reference.txt", "a target belongs to the goal of one curve"),
    ("series: pad", "series: pad, locked: 3 ohm", 'write "keep: 2.2 mH"'),
    ("series: pad", "series: pad, wire: 1 mm", "only a coil has a wire"),
    ("series: pad", "series: pad, only: film", "film is said of capacitors"),
    ("series: pad", "series: pad, notch at: 2 kHz", "made by one coil and one capacitor"),
    ("series: pad", "series: pad, voltage: 100 V", "no place asks for a rating"),
    ("polarity: free", "frozen: yes", 'write "fixed: yes"'),
    ("polarity: free", "fixed: yes", "every part is known"),
    ("polarity: free", "no: electrolytic", 'write "without: electrolytic"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "said"), GUESSES)
def test_guesses_are_met_with_the_key(old: str, new: str, said: str, example: Path) -> None:
    """What a person writes who has not looked a key up is answered with the key, or why there is none."""
    design = example / "design.yaml"
    text = design.read_text(encoding="utf-8")
    assert old in text
    design.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_design(design)
    assert said in str(caught.value)
    assert caught.value.line is not None


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("value: 2.2 mH", "keep: 2.2 mH", 'write "value: 3.3 mH"'),
        ("value: 2.2 mH", "value: 2,2 mH", "write a decimal mark as a point"),
        ("rating: 10 A", "power: 10 A", 'write "rating: 250 V"'),
        ("polarity: inverted", "phase: inverted", 'write "polarity: inverted"'),
    ],
)
def test_guesses_in_a_network_are_met(old: str, new: str, said: str, example: Path) -> None:
    """Likewise in a network file."""
    problem = build_problem(load_design(example / "design.yaml"))
    path = example / "network.yaml"
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_network(str(path), problem)
    assert said in str(caught.value)
