"""What is said of a finished speaker: what cannot be told apart, and what nothing explains."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.bench.verify.diagnosis import Diagnosis, Suspect
from optimizer.bench.verify.faults import HEALTHY, Fault
from optimizer.bench.verify.prediction import Observation
from optimizer.report.documents.verify import say_verdict, tabulate_suspects
from optimizer.report.render.terminal import print_text

ONE = Fault(what="open", where="tweeter.C1", says="tweeter.C1 not connected")
TWO = Fault(what="open", where="tweeter.R1", says="tweeter.R1 not connected")
THREE = Fault(what="short", where="tweeter.L1", says="tweeter.L1 shorted or bridged")
WELL = Suspect(fault=HEALTHY, likelihood=0.005, residual_db=9.0)


def diagnose(*suspects, explained=True):
    index = np.arange(3)
    seen = Observation(kind="level", row=0, index=index, value=np.zeros(3), noise=0.3)
    return Diagnosis(
        residual_db=4.0,
        deviation=((seen, np.zeros(3)),),
        suspects=suspects,
        healthy=False,
        explained=explained,
        parts=(),
        noise_db=0.3,
    )


def render(table):
    return print_text([table])


@pytest.mark.parametrize(
    ("same", "said"),
    [
        ((), "most likely: tweeter.C1 not connected (over 99%)"),
        (
            (TWO,),
            "tweeter.C1 not connected, or tweeter.R1 not connected, which measures just the "
            "same (over 99%)",
        ),
        (
            (TWO, THREE),
            "tweeter.C1 not connected, or one of 2 others that measure just the same (over 99%)",
        ),
    ],
)
def test_likeness_is_no_certainty(same, said):
    """A probability that several mistakes share is not given to the first of them."""
    found = diagnose(Suspect(fault=ONE, likelihood=0.995, residual_db=0.3, same_as=same), WELL)
    assert said in say_verdict(found)
    for other in same:
        assert other.says in " ".join(render(tabulate_suspects(found)).split())


def test_what_nothing_explains_has_no_likelihood():
    """Without an explanation the nearest mistakes are named by what they leave, the least first."""
    far = Suspect(fault=ONE, likelihood=0.7, residual_db=6.5)
    near = Suspect(fault=TWO, likelihood=0.2, residual_db=3.5)
    unknown = Suspect(fault=THREE, likelihood=0.1, residual_db=float("inf"))
    found = diagnose(far, near, unknown, WELL, explained=False)
    said = say_verdict(found)
    assert "No single mistake explains this: the nearest, tweeter.R1 not connected, leaves 3.5" in (
        said
    )
    table = render(tabulate_suspects(found))
    assert "%" not in table
    assert table.index("tweeter.R1") < table.index("tweeter.C1") < table.index("tweeter.L1")
    alone = diagnose(Suspect(fault=HEALTHY, likelihood=0.9, residual_db=2.0), far, explained=False)
    assert "the design with parts anywhere within tolerance leaves 2.0" in say_verdict(alone)
