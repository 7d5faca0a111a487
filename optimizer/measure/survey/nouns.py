"""What a survey says: of one driver, of two neighbours, of all of them."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.measure.curve import MeasuredCurve
from optimizer.measure.curves.nearfield import Splice
from optimizer.measure.readings import Folder
from optimizer.measure.survey.beaming import Beaming
from optimizer.measure.survey.hints import PeakHint
from optimizer.measure.survey.hygiene import Finding
from optimizer.measure.survey.impedance import ImpedanceSurvey
from optimizer.measure.survey.shape import Peak, Shape
from optimizer.measure.timing.timing import Timing
from optimizer.text.brief import brief


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverSurvey:
    """Everything read of one driver.

    Parameters
    ----------
    name : str
        Its name.
    files : dict of str to str
        What each file is, by file name.
    measured_hz : tuple of float
        Range of the response on axis.
    valid_from_hz : float
        Start of the data, or the limit of the gate where a file states one above it.
    usable_hz : tuple of float
        Within 6 dB of its level, 1/3 octave averaged.
    sensitivity_db : float
        Energy mean over the middle two octaves of the usable band (300 Hz to 3 kHz where
        usable), as the files state it.
    shape : Shape
        Roll-offs and peaks.
    peak_hints : tuple of PeakHint
        Peaks worth a compound, with starting values.
    break_up : Peak or None
        The resonance to stay clear of.
    impedance : ImpedanceSurvey or None
        Figures of the impedance.
    nominal_ohm : float or None
        Smallest modulus above resonance.
    beaming : Beaming or None
        From data or diameter.
    lowest_hz : float
        Lowest safe crossover.
    lowest_rule : str
        The rule that set it.
    directions : int
        Number of directions measured.
    response : MeasuredCurve or None
        The response on axis that was read, joined with the near field where there is one.
    splice : Splice or None
        How they were joined.
    """

    name: str
    files: dict[str, str]
    measured_hz: tuple[float, float]
    valid_from_hz: float
    usable_hz: tuple[float, float]
    sensitivity_db: float
    shape: Shape
    peak_hints: tuple[PeakHint, ...] = ()
    break_up: Peak | None = None
    impedance: ImpedanceSurvey | None = None
    nominal_ohm: float | None = None
    beaming: Beaming | None = None
    lowest_hz: float = 0.0
    lowest_rule: str = ""
    directions: int = 1
    response: MeasuredCurve | None = None
    splice: Splice | None = None

    __repr__ = brief

    @property
    def resonance_hz(self) -> float | None:
        """Resonance from the impedance; None when not determined."""
        return None if self.impedance is None else self.impedance.resonance_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotHint:
    """An optional slot worth offering to the search.

    Parameters
    ----------
    driver : str
        Whose ladder.
    form : {"notch", "trap", "equaliser", "pad", "bypassed pad", "contour"}
        As in a design file.
    reason : str
        Why.
    values : dict of str to float
        Starting values in H, F and ohm: "inductance_h", "capacitance_f", "resistance_ohm";
        for a pad "series_ohm" and "shunt_ohm".
    """

    driver: str
    form: str
    reason: str
    values: dict[str, float]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class PairSurvey:
    """A proposal for one crossover.

    Parameters
    ----------
    lower, upper : str
        The drivers.
    overlap_hz : tuple of float or None
        Band in which both are usable; None when there is none.
    crossover_hz : tuple of float
        Proposed range.
    centre_hz : float
        A frequency to start from.
    clean : bool
        False when no frequency satisfies every rule: the range is then a compromise.
    reasons : tuple of str
        What sets the range.
    low_pass_orders, high_pass_orders : tuple of int
        Electrical orders worth trying.
    slots : tuple of SlotHint
        Optional slots.
    """

    lower: str
    upper: str
    overlap_hz: tuple[float, float] | None
    crossover_hz: tuple[float, float]
    centre_hz: float
    clean: bool
    reasons: tuple[str, ...]
    low_pass_orders: tuple[int, ...]
    high_pass_orders: tuple[int, ...]
    slots: tuple[SlotHint, ...]

    __repr__ = brief


@dataclass(frozen=True, slots=True, kw_only=True)
class Survey:
    """A surveyed folder.

    Parameters
    ----------
    folder : Folder
        How every file was understood.
    drivers : tuple of DriverSurvey
        From the lowest to the highest; drivers without a response are left out.
    pairs : tuple of PairSurvey
        Neighbours.
    timing : Timing or None
        Relative timing; None for a single driver.
    findings : tuple of Finding
        What looks wrong, worst first.
    """

    folder: Folder
    drivers: tuple[DriverSurvey, ...]
    pairs: tuple[PairSurvey, ...]
    timing: Timing | None
    findings: tuple[Finding, ...]

    __repr__ = brief
