"""What one does with a loudspeaker, as functions on values: the verbs of the command line.

Each verb takes a problem, or a design file that becomes one, and returns the result that the
command line prints. Nothing is printed and, but for `start`, nothing is written.

>>> from optimizer import testing, verbs
>>> problem = testing.small_problem()
>>> result = verbs.fit(problem, exact=True)
>>> result.best.feasible
True
>>> verbs.check(problem, result.best).candidate.cost == result.best.cost
True
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.bench.build.sheet import BuildSheet, build_sheet
from optimizer.bench.check import CheckReport, check_network
from optimizer.bench.diary.shelf import count_cabinets
from optimizer.bench.hear.difference import Difference, Seat, find_difference
from optimizer.bench.networks.file import read_network
from optimizer.bench.verify.diagnosis import Levels
from optimizer.bench.verify.measured import NOISE_DB, load_measured
from optimizer.bench.verify.verifying import VerifyResult, verify_speaker
from optimizer.bench.voice.holding import parse_holds
from optimizer.bench.voice.uses import find_use
from optimizer.bench.voice.voicing import VoiceResult, voice_network
from optimizer.bench.voice.wishes import Wish, parse_wish, read_words
from optimizer.design.build import build_problem, load_design
from optimizer.design.nouns import Design
from optimizer.design.read.goals import read_goals
from optimizer.design.start.plan import Clock, plan_start
from optimizer.design.start.write import DESIGN_NAME, check_unedited, render_start
from optimizer.errors import InputError
from optimizer.goals import CrossoverRange, GoalSet, Scene
from optimizer.measure.curves.cabinet import Cabinet
from optimizer.measure.curves.nearfield import list_joins
from optimizer.measure.driver import Driver, File
from optimizer.measure.files.folder import read_folder, require_drivers
from optimizer.measure.survey.nouns import Survey
from optimizer.measure.survey.survey import survey_folder
from optimizer.network.amplifier import Amplifier
from optimizer.network.netlist import MeasuredLoad, Sweep, write_netlist
from optimizer.network.network import Network
from optimizer.parts import Part
from optimizer.problem.candidate import Candidate, SearchResult
from optimizer.problem.certificate import NEVER_SOUGHT, Certificate
from optimizer.problem.figures import build_candidate
from optimizer.problem.problem import Problem
from optimizer.search.fit import RankBy, search
from optimizer.search.islands import ISLANDS
from optimizer.search.progress import SearchProgress
from optimizer.search.prove.exact import enumerate_best
from optimizer.search.runner import Runner, lent_or_local
from optimizer.search.trade.between import choose_goals, with_goals
from optimizer.search.trade.explore import search_trade
from optimizer.search.trade.result import TradeResult
from optimizer.text.brief import brief
from optimizer.text.units import parse_range
from optimizer.text.writing import write_text
from optimizer.text.yamltext import parse_yaml

Source = Problem | Design | File
"""A problem, or a design that becomes one."""

Built = Network | Candidate | File
"""A network: as it is, with its figures, or in a file ("board.yaml", "results.json#2")."""

Progress = Callable[[SearchProgress], None]
"""Is told from time to time how far a search is."""

_FIT_SECONDS = 10.0
_TRADE_SECONDS = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """What came of a folder of measurements.

    Parameters
    ----------
    survey : Survey
        What the drivers allow.
    design : Path
        The design file that was written.
    problem : Problem
        Made from it.
    result : SearchResult
        Ranked networks.
    """

    survey: Survey
    design: Path
    problem: Problem
    result: SearchResult

    __repr__ = brief


def load(source: Source) -> Problem:
    """Make the problem of a design file.

    Parameters
    ----------
    source : Problem, Design or path-like
        A problem is returned as it is.

    Returns
    -------
    Problem

    Raises
    ------
    InputError
        With file, line, key, value, rule and remedy.
    """
    if isinstance(source, Problem):
        return source
    return build_problem(source if isinstance(source, Design) else _load_design(Path(source)))


def _load_design(path: Path) -> Design:
    """Read a design; what is in its cabinets is at hand for it."""
    return count_cabinets(load_design(path), path)


def preset(
    name: str, *, drivers: Sequence[Driver] = (), crossings: Sequence[CrossoverRange] = ()
) -> GoalSet:
    """Read the goals of a preset that comes along, or of a file of one's own.

    Parameters
    ----------
    name : str
        "living-room", or a file ending in ".yaml".
    drivers : sequence of Driver, optional
        Of a speaker with one way for each: goals that they do not serve are left out.
    crossings : sequence of CrossoverRange, optional
        Where those ways may meet.

    Returns
    -------
    GoalSet
        To be used or overridden: ``{**preset("living-room"), "parts": {"each": 0.03}}``. What
        stands under every preset ("base") is part of it.

    Raises
    ------
    InputError
        When there is none of that name, or it cannot be read.

    Examples
    --------
    >>> sorted(set(preset("flat-on-axis")) - set(preset("base")))
    ['listening_window', 'on_axis', 'parts']
    >>> from optimizer.testing import small_problem
    >>> sorted(set(preset("flat-on-axis")) - set(preset("flat-on-axis", drivers=small_problem().drivers)))
    ['break_up', 'listening_window', 'lobe_depth']
    """
    # JSON strings are YAML, so any name survives.
    entry = parse_yaml(f"preset: {json.dumps(name)}", file="preset")
    goals = read_goals(entry, Path(), []).specs
    if not drivers:
        return goals
    ways = [(driver.name, driver) for driver in drivers]
    return goals.served_by(Scene.measured(ways, crossings=crossings))


def survey(
    folder: File,
    *,
    roles: Mapping[str, str] | None = None,
    diameters_m: Mapping[str, float] | None = None,
    depths_m: Mapping[str, float] | None = None,
    fronts: Mapping[str, Cabinet] | None = None,
    ports_m: Mapping[str, float] | None = None,
    gate_s: float | None = None,
    order: Sequence[str] = (),
) -> Survey:
    """Say what measured drivers allow and what to avoid.

    Parameters
    ----------
    folder : path-like
        Folder of measurement files.
    roles : mapping of str to str, optional
        What a file is ("woofer impedance", "tweeter 30 right", "ignore"), by its name or pattern.
    diameters_m, depths_m : mapping of str to float, optional
        Effective diameter of a driver, and how far its acoustic centre lies behind the front.
    fronts : mapping of str to Cabinet, optional
        Box and place of a driver, to join its near field.
    ports_m : mapping of str to float, optional
        Diameter of a driver's port, to add its near field.
    gate_s : float, optional
        Gate of impulse responses; found from their first reflection by default.
    order : sequence of str
        Drivers from the lowest up; told from their names and data by default.

    Returns
    -------
    Survey

    Raises
    ------
    InputError
        When the folder holds no driver.
    """
    found = read_folder(Path(folder), roles=dict(roles or {}), gate_s=gate_s, order=order)
    require_drivers(found)
    return survey_folder(
        found,
        diaphragms_m=dict(diameters_m or {}),
        depths_m=dict(depths_m or {}),
        joins=list_joins(fronts or {}, diameters_m or {}, ports_m or {}),
    )


def start(
    folder: File,
    *,
    design: File | None = None,
    clock: Clock | None = None,
    roles: Mapping[str, str] | None = None,
    diameters_m: Mapping[str, float] | None = None,
    depths_m: Mapping[str, float] | None = None,
    fronts: Mapping[str, Cabinet] | None = None,
    ports_m: Mapping[str, float] | None = None,
    gate_s: float | None = None,
    order: Sequence[str] = (),
    board: File | None = None,
    seconds: float | None = None,
    seed: int | None = None,
    top: int | None = None,
    workers: int = 1,
    runner: Runner | None = None,
    progress: Progress | None = None,
) -> Started:
    """Survey a folder of measurements, write a design file beside them and fit it.

    Parameters
    ----------
    folder : path-like
        Folder of measurement files.
    design : path-like, optional
        Where the design file goes; `DESIGN_NAME` in the folder by default. One that was edited is
        never replaced.
    clock : {"shared", "none"}, optional
        Whether all files share one time zero; told from the file of all drivers by default.
    roles, diameters_m, depths_m, fronts, ports_m, gate_s, order
        As in `survey`.
    board : path-like, optional
        Network file of an old board that the design begins from.
    seconds, seed, top, workers, runner, progress
        As in `fit`.

    Returns
    -------
    Started

    Raises
    ------
    InputError
        As `survey`; also when the design file was edited or cannot be written.
    """
    if clock not in (None, "shared", "none"):
        raise InputError('the clock is "shared" or "none"', value=repr(clock))
    file = Path(folder) / DESIGN_NAME if design is None else Path(design)
    check_unedited(file)
    surveyed = survey(
        folder,
        roles=roles,
        diameters_m=diameters_m,
        depths_m=depths_m,
        fronts=fronts,
        ports_m=ports_m,
        gate_s=gate_s,
        order=order,
    )
    plan = plan_start(
        surveyed,
        clock=clock,
        depths_m=dict(depths_m or {}),
        diameters_m=dict(diameters_m or {}),
    )
    old = None if board is None else Path(board)
    write_text(file, render_start(plan, Path(folder), file.parent, old))
    chosen = load_design(file)
    problem = build_problem(chosen)
    with lent_or_local(runner, workers) as who:
        result = _fit(problem, chosen, seconds, seed, top, who, progress, robust=False)
    return Started(survey=surveyed, design=file, problem=problem, result=result)


def fit(
    source: Source,
    *,
    seconds: float | None = None,
    evaluations: int | None = None,
    seed: int | None = None,
    top: int | None = None,
    workers: int = 1,
    runner: Runner | None = None,
    robust: bool = False,
    exact: bool = False,
    by: RankBy | None = None,
    islands: int = ISLANDS,
    progress: Progress | None = None,
) -> SearchResult:
    """Find the best buildable networks.

    Parameters
    ----------
    source : Problem, Design or path-like
        What is wanted and what there is.
    seconds : float, optional
        Longest time; what the design says, or 10 s, by default. `math.inf` searches until it
        converges.
    evaluations : int, optional
        Networks to try instead of a time: repeats exactly, whatever the machine has to do besides.
        For proofs of what was found up to ten times as many changes are looked at. A time given as
        well still ends the search.
    seed : int, optional
        The same seed gives the same answer, whatever the number of workers, unless time runs out.
    top : int, optional
        Candidates wanted; what the design says, or 5, by default.
    workers : int
        Processes of this machine to use; 1 is this process.
    runner : Runner, optional
        Who computes instead: ``Runner.on("tcp://host:port")``. Left open, for the next search.
    robust : bool
        Whether the expected cost under tolerance ranks.
    exact : bool
        Whether to go through every network of a small problem and prove the best; in this process.
    by : {"verdicts", "cost"}, optional
        Whether a network with a bad verdict stands behind all without one, or cost alone ranks;
        what the design says, or verdicts, by default.
    islands : int
        Portions of work between two exchanges of what was found. The answer depends on it, and more
        workers than these find nothing to do; three or more for each worker keep them busy.
    progress : callable, optional
        Called with a `SearchProgress` from time to time, in this process.

    Returns
    -------
    SearchResult
        Best first.

    Raises
    ------
    InputError
        A number out of bounds, a problem too large for `exact`.

    Notes
    -----
    Each process of `workers` has one thread of linear algebra, because the arrays are small and
    threads wait for each other. So has the command line (``OPENBLAS_NUM_THREADS=1``); with one
    worker, from Python, that must be set before numpy is imported.

    Examples
    --------
    >>> from optimizer.testing import small_problem
    >>> fit(small_problem(), exact=True, top=2)
    <SearchResult 2 candidates, cost 0.3073, ...; converged after ... s, seed 1>
    """
    design = None
    if not isinstance(source, Problem):
        design = source if isinstance(source, Design) else _load_design(Path(source))
    problem = source if isinstance(source, Problem) else load(design or source)
    if exact:
        most = 5 if design is None else design.search.top
        return enumerate_best(
            problem, top=most if top is None else top, seconds=_limit(seconds), progress=progress
        )
    with lent_or_local(runner, workers) as who:
        return _fit(
            problem,
            design,
            seconds,
            seed,
            top,
            who,
            progress,
            robust=robust,
            by=by,
            evaluations=evaluations,
            islands=islands,
        )


def _fit(
    problem: Problem,
    design: Design | None,
    seconds: float | None,
    seed: int | None,
    top: int | None,
    runner: Runner,
    progress: Progress | None,
    *,
    robust: bool,
    by: RankBy | None = None,
    evaluations: int | None = None,
    islands: int = ISLANDS,
) -> SearchResult:
    chosen = None if design is None else design.search
    if seconds is None and evaluations is None:
        seconds = _FIT_SECONDS if chosen is None else chosen.seconds
    if seed is None:
        seed = 1 if chosen is None else chosen.seed
    if top is None:
        top = 5 if chosen is None else chosen.top
    return search(
        problem,
        seconds=_limit(seconds),
        evaluations=evaluations,
        seed=seed,
        top=top,
        runner=runner,
        progress=progress,
        robust=robust,
        islands=islands,
        by=by or ("verdicts" if chosen is None else chosen.by),
    )


def _limit(seconds: float | None) -> float | None:
    """Time without end is no limit."""
    return None if seconds is None or math.isinf(seconds) else seconds


def trade(
    source: Source,
    between: tuple[str, str] | None = None,
    *,
    points: int = 9,
    seconds: float | None = None,
    seed: int = 1,
    workers: int = 1,
    runner: Runner | None = None,
    progress: Progress | None = None,
) -> TradeResult:
    """Find the front between two goals: what one costs in terms of the other.

    Parameters
    ----------
    source : Problem, Design or path-like
        What is wanted and what there is.
    between : tuple of str, optional
        Two goals that are no hard limits, at their defaults where the problem has none of that
        name; by default flatness on the axis against evenness off it.
    points : int
        Networks on the front, at least 3.
    seconds : float, optional
        Longest time, 30 s by default; `math.inf` for no limit.
    seed, workers, runner, progress
        As in `fit`.

    Returns
    -------
    TradeResult

    Raises
    ------
    InputError
        Unknown, hard or equal goals; fewer than 3 points.
    """
    problem = load(source)
    chosen = choose_goals(problem.goals, between)
    return search_trade(
        with_goals(problem, chosen),
        chosen,
        points=points,
        seconds=_limit(_TRADE_SECONDS if seconds is None else seconds),
        seed=seed,
        workers=workers,
        runner=runner,
        progress=progress,
    )


def check(source: Source, network: Built, *, most: int = 3) -> CheckReport:
    """Compute every figure of a network, and why it scores as it does.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers, stock, goals.
    network : Network, Candidate or path-like
        Any network with the ways of the problem.
    most : int
        Most improvements and parts to name.

    Returns
    -------
    CheckReport
    """
    problem = load(source)
    built, certificate = _open(problem, network)
    return check_network(problem, built, best=most, certificate=certificate)


def voice(
    source: Source,
    network: Built,
    wishes: str | Wish | Sequence[str | Wish],
    *,
    changes: int = 2,
    hold: Sequence[str] = (),
    use: Mapping[str, Part | str] | None = None,
    words: File | None = None,
    top: int = 5,
) -> VoiceResult:
    """After listening: find the fewest part changes that serve a wish and hold the rest.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers, stock, goals.
    network : Network, Candidate or path-like
        What was listened to.
    wishes : str, Wish or sequence
        "less bright", "2k..5k -1 dB", "impedance 4 ohm".
    changes : int
        Most parts to change, 1 to 3.
    hold : sequence of str
        How far the rest may move: "1 dB", "level 2 dB", "impedance 90 %".
    use : mapping of str to Part or str, optional
        Parts that shall be used, or their values, by their place: ``{"tweeter.P1.Rs": "2.7 ohm"}``.
    words : path-like, optional
        Words for changes of tone instead of those that come along.
    top : int
        Answers wanted.

    Returns
    -------
    VoiceResult

    Raises
    ------
    InputError
        A wish that cannot be read or contradicts another.
    """
    problem = load(source)
    known = read_words(None if words is None else Path(words))
    asked = [wishes] if isinstance(wishes, (str, Wish)) else list(wishes)
    present, certificate = _open(problem, network)
    return voice_network(
        problem,
        present,
        [parse_wish(wish, known) if isinstance(wish, str) else wish for wish in asked],
        changes=changes,
        limits=parse_holds(list(hold)),
        use={
            place: find_use(problem, present, place, part) if isinstance(part, str) else part
            for place, part in (use or {}).items()
        },
        top=top,
        certificate=certificate,
    )


def verify(
    source: Source,
    network: Built,
    measured: File | Sequence[File],
    *,
    noise_db: float = NOISE_DB,
    band: str | tuple[float, float] = (20.0, 20000.0),
    tolerance_db: float | None = None,
    levels: Levels = "free",
) -> VerifyResult:
    """Compare the finished speaker with prediction and find what may be wrong with it.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers and grid.
    network : Network, Candidate or path-like
        What was meant to be built.
    measured : path-like or sequence of them
        Response on axis, impedance, best both; "30 right=FILE" and "impedance=FILE" say what a
        file is, "tweeter=FILE" and "tweeter impedance=FILE" that one way played alone.
    noise_db : float
        Expected error of a measurement at each frequency, in dB.
    band : str or tuple of float
        Frequencies that count: "300..16k", or two in Hz.
    tolerance_db : float, optional
        Deviation that passes.
    levels : {"free", "same"} or float
        What is known of the levels of responses: nothing, that all were measured with microphone
        and volume as they were, or that each is right within so many dB.

    Returns
    -------
    VerifyResult

    Raises
    ------
    InputError
        When a file cannot be read or does not meet the data of the design.
    """
    problem = load(source)
    files = [measured] if isinstance(measured, (str, os.PathLike)) else list(measured)
    read = load_measured(
        problem,
        [os.fspath(file) for file in files],
        noise_db=noise_db,
        band_hz=parse_range(band, "Hz") if isinstance(band, str) else band,
    )
    return verify_speaker(
        problem,
        open_network(problem, network),
        read.observations,
        tolerance_db=tolerance_db,
        levels=levels,
    )


def sheet(
    source: Source,
    network: Built,
    *,
    amplifier: Amplifier | None = None,
    speakers: int = 2,
    limits: Mapping[str, float] | None = None,
    driver_level_db: float = 0.0,
) -> BuildSheet:
    """Gather what to buy, solder and check: parts, wiring, ratings, coil placement, cautions.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers, stock, goals.
    network : Network, Candidate or path-like
        What to build.
    amplifier : Amplifier, optional
        For the ratings; that of the goals, or 50 W into 8 ohm, by default.
    speakers : int
        Speakers to build alike.
    limits : mapping of str to float, optional
        Largest figure by goal, or "cost", that a finished speaker may have.
    driver_level_db : float
        How far the level of a driver may be from the measured one.

    Returns
    -------
    BuildSheet
    """
    problem = load(source)
    if isinstance(network, Candidate):
        certificate = network.certificate.settle(problem, network.network)
        candidate = replace(network, certificate=certificate)
    else:
        built, certificate = _open(problem, network)
        candidate = build_candidate(problem, built, certificate=certificate)
    told = os.fspath(network) if isinstance(network, (str, os.PathLike)) else "network"
    return build_sheet(
        problem,
        candidate,
        network=f"candidate {network.rank}" if isinstance(network, Candidate) else told,
        amplifier=amplifier,
        speakers=speakers,
        limits=limits,
        driver_level_db=driver_level_db,
    )


def netlist(source: Source, network: Built, *, curves_file: str | None = None) -> str:
    """Write a network with its drivers as SPICE text that any circuit simulator runs.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers and grid.
    network : Network, Candidate or path-like
        What to simulate.
    curves_file : str, optional
        Adds commands by which ngspice writes drive levels and impedance to this file.

    Returns
    -------
    str
    """
    problem = load(source)
    frequency = problem.frequency_hz
    return write_netlist(
        open_network(problem, network),
        {
            driver.name: MeasuredLoad(frequency_hz=driver.frequency_hz, impedance=driver.impedance)
            for driver in problem.drivers
        },
        title=problem.title,
        sweep=Sweep(low_hz=float(frequency[0]), high_hz=float(frequency[-1])),
        curves_file=curves_file,
    )


def hear(source: Source, before: Built, after: Built, *, place: Seat = "axis") -> Difference:
    """Find what one network plays more or less than another, as a filter for music.

    Parameters
    ----------
    source : Problem, Design or path-like
        Drivers and directions.
    before : Network, Candidate or path-like
        The network as it stands.
    after : Network, Candidate or path-like
        The network that shall be heard.
    place : {"axis", "room"}
        Where one listens: on the axis, with its phase, or to the average in the room.

    Returns
    -------
    Difference
        ``difference.filter(48_000).apply(samples)`` plays the change.

    Raises
    ------
    InputError
        When a network cannot be read, or the place is not known of these drivers.
    """
    problem = load(source)
    old, new = (build_candidate(problem, open_network(problem, one)) for one in (before, after))
    return find_difference(old, new, place)


def open_network(problem: Problem, network: Built) -> Network:
    """Take the network of a candidate, or read it from a file.

    Parameters
    ----------
    problem : Problem
        Its ways and stock tell what the file means.
    network : Network, Candidate or path-like
        "board.yaml", or "results.json#2" for a saved candidate.

    Returns
    -------
    Network

    Raises
    ------
    InputError
        When the file cannot be read or does not fit the problem.
    """
    return _open(problem, network)[0]


def _open(problem: Problem, network: Built) -> tuple[Network, Certificate]:
    """Take or read a network, and what is known of better ones for this problem."""
    if isinstance(network, Candidate):
        return network.network, network.certificate.settle(problem, network.network)
    if isinstance(network, Network):
        return network, NEVER_SOUGHT
    read = read_network(os.fspath(network), problem)
    return read.network, read.certificate
