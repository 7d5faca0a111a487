"""One error, three readers: a script, a design file, a command line."""

from __future__ import annotations

import pickle

import numpy as np

from optimizer.cli.options import put_in_options
from optimizer.design.keys import find_key, say_in_file
from optimizer.errors import InputError, Subject
from optimizer.goals import OnAxis, Scene
from optimizer.network.topology import Slot, Topology, ValueRange, Way

BAND = Subject("goal", "on_axis", "band")


def refuse_band() -> InputError:
    try:
        OnAxis(band_hz=(20.0, 30.0)).prepare(
            Scene(frequency_hz=np.array([100.0, 200.0, 400.0]), curves=["on_axis"])
        )
    except InputError as error:
        return error
    raise AssertionError("the band holds no point")


def test_a_script_reads_nouns() -> None:
    """A library user is told goal and option, and no key of a file he does not have."""
    error = refuse_band()
    assert error.subject == BAND
    assert str(error).startswith("goal on_axis, band: a goal's band must hold at least")
    assert "got 20..30 Hz; widen the band" in str(error)


def test_a_file_reads_its_key() -> None:
    """Located, the key stands where the nouns were, and nothing else is lost."""
    error = refuse_band()
    located = error.located(file="d.yaml", line=7, key=find_key(error.subject))
    assert str(located).startswith("d.yaml:7: goals.on_axis.band: a goal's band must hold")
    assert str(located).endswith(str(error).partition(": ")[2])


def test_remedies_are_written_in_the_words_of_each_edge() -> None:
    """A remedy names the key and an example in a file, the option on a command line."""
    error = InputError(
        "a driver needs its diaphragm", remedy="state it, or say which file is its impedance",
        by_stating=(Subject("driver", "woofer", "diaphragm"), Subject("file", part="role")),
    )  # fmt: skip
    assert str(error).endswith("; state it, or say which file is its impedance")
    in_file = error.explained(say_in_file)
    assert str(in_file).endswith('impedance ("diaphragm: 130 mm" under drivers.woofer)')
    assert in_file.by_stating == (Subject("file", part="role"),)
    assert str(put_in_options(in_file)).endswith('woofer) (--as FILE="woofer impedance")')
    assert error.explained(lambda subject: "").remedy == error.remedy


def test_options_do_not_replace_the_place_in_a_file() -> None:
    """What a file explains keeps its key; only the rest is named by option."""
    error = InputError("the time must be above 0 s", subject=Subject("search", part="time"))
    assert put_in_options(error).key == "--seconds"
    assert put_in_options(error.located(file="d.yaml", line=3, key="search.seconds")).key == (
        "search.seconds"
    )


def test_a_slot_is_found_by_its_number() -> None:
    """A slot has no key of its own: the file counts the entries of its ladder."""
    slots = tuple(
        Slot(name=name, place="series", form="inductor", ranges=(ValueRange(low=1e-3, high=2e-3),))
        for name in ("L1", "L2")
    )
    topology = Topology(ways=(Way(name="low", driver="woofer", slots=slots),))
    assert find_key(Subject("slot", "low.L2"), topology) == "ways.low.ladder[1]"
    assert find_key(Subject("slot", "low.L9"), topology) == "ways.low.ladder"
    assert find_key(Subject("weather")) == ""


def test_errors_travel_between_processes() -> None:
    """Workers pickle errors; every field arrives."""
    error = InputError(
        "rule", subject=BAND, value=3.5, remedy="mend", by_stating=(BAND,), file="f", line=2
    )
    again = pickle.loads(pickle.dumps(error))
    assert str(again) == str(error)
    assert (again.subject, again.by_stating, again.line) == (BAND, (BAND,), 2)
