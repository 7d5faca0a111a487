"""A goal is one class: its name, its options, its figure with slopes, and the words for it.

To add a goal, write one class in the file of its family (or anywhere that is imported): nothing
else has to change. The class statement registers it::

    class BassRipple(BandGoal, name="bass_ripple", family="response", unit="dB rms", hears=True,
                     sells="of ripple in the bass", buys="more even bass"):
        \"\"\"What the figure is and why one would want it small: `laddersmith goals` prints this.\"\"\"

        curves = ("on_axis",)
        band_hz: tuple[float, float] = band_option(40.0, 200.0)

        def residuals(self, on: Prepared, curves: Curves) -> Real: ...
        def tangents(self, on: Prepared, curves: Curves, tangents: CurveTangents) -> Real: ...
        def describe(self, on: Prepared, curves: Curves) -> str: ...

An instance holds the user's choices and nothing else. `prepare` puts it on the grid of a problem;
the arrays of that grid come back as `on` with every question. A goal that needs more there than
`Prepared` holds derives a class of its own from it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from inspect import cleandoc
from typing import Any, ClassVar, Self, dataclass_transform

import numpy as np

from optimizer.acoustics.curves import Curves, CurveTangents
from optimizer.arrays import Index, Real
from optimizer.errors import InputError, Subject
from optimizer.goals.options import Option, band_option, fixed, option, weight_option
from optimizer.goals.prepared import Scene, span_of
from optimizer.text.brief import clip
from optimizer.text.suggest import suggest
from optimizer.text.units import say_hz

FAMILIES = ("response", "reflections", "crossover", "load", "protection", "economy")
"""Headings that goals are listed under, in order; other ones follow."""

GOALS: dict[str, type[Goal]] = {}
"""Every goal there is, by name, in the order that reports use: by family, then as registered."""


@dataclass_transform(kw_only_default=True, frozen_default=True, field_specifiers=(option, fixed))
@dataclass(frozen=True, kw_only=True)
class Goal:
    """What is wanted, and how much it is worth: the user's choices, comparable and immutable.

    Parameters of the class statement
    ---------------------------------
    name : str
        Name in design files and reports; a class without one is a base of others.
    family : str
        Heading it is listed under.
    unit : str
        Unit of its figure.
    sells, buys : str
        Words after an amount of the figure that is given up and that is gained: "0.4 dB *of ripple
        on the axis* buys 0.2 dB *more alike off the axis*".
    counted : bool
        Whether the figure is a whole number.
    hears : bool
        Whether it counts measured sound, which the gate of a measurement ends at low frequencies.
    """

    name: ClassVar[str] = ""
    family: ClassVar[str] = ""
    unit: ClassVar[str] = ""
    sells: ClassVar[str] = ""
    buys: ClassVar[str] = ""
    counted: ClassVar[bool] = False
    hears: ClassVar[bool] = False
    meaning: ClassVar[str] = ""
    replaces: ClassVar[Mapping[str, tuple[str, ...]]] = {}
    """Options by attribute, and those that lose what a preset says of them where one is written."""

    hard: bool = fixed(False)
    band_hz: tuple[float, float] = fixed((0.0, np.inf))
    weight: float = weight_option(1.0)

    def __init_subclass__(cls, *, name: str = "", **facts: Any) -> None:
        super().__init_subclass__()
        unknown = set(facts) - {"family", "unit", "sells", "buys", "counted", "hears"}
        if unknown:
            raise TypeError(f"a goal has no {', '.join(sorted(unknown))}")
        for key, value in facts.items():
            setattr(cls, key, value)
        if cls.__doc__:
            cls.meaning = " ".join(cleandoc(cls.__doc__).split("\nNotes\n")[0].split())
        dataclass(frozen=True, kw_only=True, repr=False)(cls)
        if not name:
            return
        cls.name = name
        missing = [key for key in ("family", "unit", "sells", "buys") if not getattr(cls, key)]
        if missing or name in GOALS:
            raise TypeError(
                f"the goal {name} must state {', '.join(missing)}"
                if missing
                else f"there is a goal of the name {name} already"
            )
        every = [*GOALS.items(), (name, cls)]
        order = list(dict.fromkeys([*FAMILIES, *(goal.family for _, goal in every)]))
        every.sort(key=lambda item: order.index(item[1].family))
        GOALS.clear()
        GOALS.update(every)

    @classmethod
    def options(cls) -> tuple[Option, ...]:
        """List its options, its own before those that it shares with others."""
        found = {f.name: f.metadata["option"] for f in fields(cls) if "option" in f.metadata}
        shared = [n for n in ("band_hz", "hard", "weight") if n in found]
        own = [n for n in found if n not in shared]
        return tuple(replace(found[n], field=n) for n in [*own, *shared])

    @classmethod
    def stated(cls, wanted: Wanted) -> Goal:
        """Read this goal as stated in Python, see `GoalSet.stated`."""
        if isinstance(wanted, Goal):
            return wanted
        if isinstance(wanted, (int, float)):
            return cls(weight=wanted)
        options = {option.key: option for option in cls.options()}
        values = {}
        for key, value in wanted.items():
            if key not in options:
                raise InputError(
                    "unknown option",
                    subject=Subject("goal", cls.name),
                    value=repr(key),
                    remedy=suggest(key, options),
                )
            try:
                values[options[key].field] = options[key].read(value)
            except InputError as error:
                raise error.about(Subject("goal", cls.name, key)) from None
        return cls(**values)

    @classmethod
    def title(cls) -> str:
        """Write its name as words."""
        return say_name(cls.name)

    def __repr__(self) -> str:
        held = [(o.field, getattr(self, o.field), o.default) for o in self.options()]
        changed = [f"{name}={value!r}" for name, value, default in held if value != default]
        return f"{type(self).__name__}({', '.join(changed)})"

    @property
    def sound_from_hz(self) -> float:
        """Lowest frequency of measured sound that it counts, infinite when it counts none."""
        return self.band_hz[0] if self.hears else np.inf

    def refuse(
        self,
        rule: str,
        *,
        remedy: str,
        by_stating: tuple[Subject, ...] = (),
        value: object = None,
        part: str = "",
    ) -> InputError:
        """Return the error that the data do not serve the goal, or one of its options (`part`)."""
        return InputError(
            rule,
            subject=Subject("goal", self.name, part),
            value=value,
            remedy=remedy,
            by_stating=by_stating,
        )

    def refuse_directions(self, rule: str) -> InputError:
        """Return the error that directions are missing."""
        return self.refuse(
            f"the goal needs {rule}, for which no off-axis directions were given",
            remedy="add such directions to every driver, let them be estimated, or remove the goal",
            by_stating=(
                Subject("driver", part="directions"),
                Subject("drivers", part="estimated directions"),
            ),
        )


class GridGoal(Goal):
    """A goal whose figure is the root of a sum of squares over a frequency grid."""

    curves: ClassVar[tuple[str, ...]] = ()
    """Named curves it looks at, where they do not depend on its options."""

    def prepare(self, scene: Scene) -> Prepared:
        """Put the goal on the grid of a problem.

        Parameters
        ----------
        scene : Scene
            Grid, curves and drivers.

        Returns
        -------
        Prepared

        Raises
        ------
        InputError
            When the band holds no data, or the curves, directions or limits that the goal needs
            are not there.
        """
        return Prepared(**self.place(scene, self.curves))

    def place(self, scene: Scene, curves: tuple[str, ...] = (), terms: int = 1) -> dict[str, Any]:
        """Fields of `Prepared` for the band of this goal.

        Parameters
        ----------
        scene : Scene
            Grid and curves.
        curves : tuple of str
            Curves it looks at.
        terms : int
            Curves that are averaged over besides frequency.
        """
        for curve in curves:
            if curve not in scene.curves:
                raise self.refuse_directions(f"the curve {say_name(curve)}")
        index = self._find_band(scene.frequency_hz)
        return {
            "goal": self,
            "name": self.name,
            "index": index,
            "frequency_hz": scene.frequency_hz[index],
            "scale": 1.0 / np.sqrt(len(index) * terms),
            "curve_names": curves,
        }

    def _find_band(self, frequency_hz: Real, points: int = 3) -> Index:
        low, high = self.band_hz
        inside = (frequency_hz >= low * (1 - 1e-9)) & (frequency_hz <= high * (1 + 1e-9))
        index = np.flatnonzero(inside)
        if len(index) < points:
            raise self.refuse(
                f"a goal's band must hold at least {points} points of the grid, which runs from "
                f"{say_hz(frequency_hz[0])} to {say_hz(frequency_hz[-1])}",
                part="band",
                value=f"{low:g}..{high:g} Hz",
                remedy="widen the band or measure there",
            )
        return index

    def residuals(self, on: Any, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`; `on` is what `prepare` returned."""
        raise NotImplementedError

    def tangents(self, on: Any, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        raise NotImplementedError

    def describe(self, on: Any, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        raise NotImplementedError

    def target_db(self, on: Any, curves: Curves, frequency_hz: Real) -> Real | None:
        """See `Prepared.target_db`."""
        return None

    def thin(self, on: Any, index: Index, *, bound: bool) -> Any:
        """See `PreparedGoal.thinned`.

        Here each point of the band stands for itself: dropping some can only lower a norm.
        """
        chosen = np.isin(on.index, index)
        kept = int(np.count_nonzero(chosen))
        factor = 1.0 if bound else float(np.sqrt(len(on.index) / max(1, kept)))
        return replace(
            on,
            index=np.searchsorted(index, on.index[chosen]),
            frequency_hz=on.frequency_hz[chosen],
            scale=on.scale * factor,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Prepared:
    """A goal on the grid of a problem, with the band that it counts: what the search evaluates.

    Every question goes back to the goal, whose class knows the arithmetic.

    Parameters
    ----------
    goal : GridGoal
        What was asked for.
    name : str
        Name in reports.
    index : ndarray of int, shape (N,)
        Grid points of the band, without gaps.
    frequency_hz : ndarray, shape (N,)
        Their frequencies.
    scale : float
        1/sqrt(number of terms that the mean runs over).
    curve_names : tuple of str
        Named curves it looks at.
    """

    goal: GridGoal
    name: str
    index: Index
    frequency_hz: Real
    scale: float
    curve_names: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """Unit of the figure."""
        return self.goal.unit

    @property
    def weight(self) -> float:
        """Cost of one unit of the figure."""
        return self.goal.weight

    @property
    def hard(self) -> bool:
        """Whether the figure must be 0."""
        return self.goal.hard

    @property
    def span(self) -> slice:
        """The band as a slice of the grid: a view where an index would copy."""
        return span_of(self.index)

    def residuals(self, curves: Curves) -> Real:
        """See `PreparedGoal.residuals`."""
        return self.goal.residuals(self, curves)

    def tangents(self, curves: Curves, tangents: CurveTangents) -> Real:
        """See `PreparedGoal.tangents`."""
        return self.goal.tangents(self, curves, tangents)

    def thinned(self, index: Index, *, bound: bool) -> Self:
        """See `PreparedGoal.thinned`."""
        thin: Self = self.goal.thin(self, index, bound=bound)
        return thin

    def weighted(self, weight: float) -> Self:
        """Return the goal with another weight."""
        return replace(self, goal=replace(self.goal, weight=weight))

    def describe(self, curves: Curves) -> str:
        """See `PreparedGoal.describe`."""
        return self.goal.describe(self, curves)

    def target_db(self, curves: Curves, frequency_hz: Real) -> Real | None:
        """Target that fits one network best, shape (F,); None for a goal without one."""
        return self.goal.target_db(self, curves, frequency_hz)


class BandGoal(GridGoal):
    """A goal over a band of frequencies that the user may choose."""

    band_hz: tuple[float, float] = band_option(100.0, 16000.0)


def say_name(name: str) -> str:
    """Write the name of a goal or a curve as words."""
    return name.replace("_", " ")


Wanted = Goal | Mapping[str, Any] | float
"""A goal as one may state it in Python: ready, by its options, or by its weight alone."""


class GoalSet(Mapping[str, Goal]):
    """The goals of a problem by name: an immutable value.

    Parameters
    ----------
    goals : mapping of str to Goal, or iterable of Goal
        In the order that costs are added up and reports show.

    Raises
    ------
    TypeError
        When something else than a goal is given, or a goal under a name that is not its own.
    """

    __slots__ = ("_goals",)

    def __init__(self, goals: Mapping[str, Goal] | Iterable[Goal] = ()) -> None:
        named = goals.items() if isinstance(goals, Mapping) else [(g.name, g) for g in goals]
        self._goals: dict[str, Goal] = dict(named)
        for name, goal in self._goals.items():
            if not isinstance(goal, Goal) or goal.name != name:
                raise TypeError(f"{name} must be a goal of that name, got {goal!r}")

    @classmethod
    def stated(cls, wanted: Mapping[str, Wanted]) -> Self:
        """Read goals stated in Python.

        Parameters
        ----------
        wanted : mapping of str to Goal, mapping or float
            By name: a goal; its options by their keys, each as text with its unit, as a number in
            SI units, or as a pair of both for a range; or a weight.

        Returns
        -------
        GoalSet
            In the order reports use; a set of goals as it is.

        Raises
        ------
        InputError
            Unknown goal or option, a value that cannot be read, or no goal at all.

        Examples
        --------
        >>> GoalSet.stated({"parts": {"each": 0.03}, "in_room": 1.5})
        <GoalSet InRoom(weight=1.5), Parts()>
        """
        if isinstance(wanted, cls):
            return wanted
        if not wanted:
            raise InputError("at least one goal is needed", subject=Subject("goal"))
        for name in wanted:
            if name not in GOALS:
                raise InputError(
                    "there is no goal of this name", value=repr(name), remedy=suggest(name, GOALS)
                )
        return cls(goal.stated(wanted[name]) for name, goal in GOALS.items() if name in wanted)

    def __getitem__(self, name: str) -> Goal:
        return self._goals[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._goals)

    def __len__(self) -> int:
        return len(self._goals)

    def __hash__(self) -> int:
        return hash(tuple(self._goals.items()))

    def __repr__(self) -> str:
        return clip(f"<GoalSet {', '.join(map(repr, self._goals.values()))}>")

    def replace(self, **goals: Goal | None) -> GoalSet:
        """Return the set with some goals replaced, added at the end, or left out (None)."""
        changed = {**self._goals, **goals}
        return GoalSet({name: goal for name, goal in changed.items() if goal is not None})

    def weighted(self, **weights: float) -> GoalSet:
        """Return the set with other weights.

        Parameters
        ----------
        **weights : float
            By name of the goal: the cost of one unit of its figure.

        Raises
        ------
        InputError
            When the set has no goal of a name, or a weight is negative.
        """
        for name, value in weights.items():
            if name not in self._goals:
                raise InputError(
                    "only the goals that are there have weights",
                    subject=Subject("goals"),
                    value=name,
                    remedy=f"choose from {', '.join(self._goals)}, or add the goal",
                )
            if not value >= 0.0:
                raise InputError(
                    "a weight must be at least 0", subject=Subject("goal", name), value=value
                )
        return self.replace(**{n: replace(self[n], weight=w) for n, w in weights.items()})

    def served_by(self, scene: Scene) -> GoalSet:
        """Leave out the goals that drivers and directions do not serve."""
        return GoalSet(goal for goal, _, error in self.tried(scene) if error is None)

    def tried(self, scene: Scene) -> Iterator[tuple[Goal, Prepared | None, InputError | None]]:
        """Prepare each goal by itself.

        Yields
        ------
        tuple of (Goal, Prepared or None, InputError or None)
            What came of it, where it has residuals, or why it cannot be prepared.
        """
        for goal in self.values():
            prepared, failure = None, None
            try:
                prepared = goal.prepare(scene) if isinstance(goal, GridGoal) else None
            except InputError as error:
                failure = error
            yield goal, prepared, failure

    def prepare(self, scene: Scene) -> tuple[Prepared, ...]:
        """Prepare every goal that has residuals, in order.

        Raises
        ------
        InputError
            See `GridGoal.prepare`; also when no goal on a curve with a weight remains.
        """
        prepared = tuple(g.prepare(scene) for g in self.values() if isinstance(g, GridGoal))
        if not any(g.weight > 0.0 and g.curve_names for g in prepared):
            raise InputError(
                "at least one goal on a curve needs a weight above 0",
                subject=Subject("goals"),
                remedy="add on_axis, in_room or another curve",
            )
        return prepared
