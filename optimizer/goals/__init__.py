"""What is wanted: goals, each one class, in the families that reports list."""

from optimizer.goals.crossover import BreakUp, InvertedNull, PhaseTracking
from optimizer.goals.economy import Changes, Copper, EconomyGoal, Parts, Price
from optimizer.goals.electrical import Epdr, Impedance, ImpedancePhase
from optimizer.goals.goal import (
    GOALS,
    BandGoal,
    Goal,
    GoalSet,
    GridGoal,
    Prepared,
)
from optimizer.goals.options import option
from optimizer.goals.prepared import PreparedGoal, Scene, goal_cost
from optimizer.goals.protection import Excursion, LowDrive, Power
from optimizer.goals.reflections import (
    Directivity,
    EarlyReflectionsIndex,
    LobeDepth,
    LobeSymmetry,
    Monotony,
    Similarity,
)
from optimizer.goals.response import (
    EarlyReflections,
    InRoom,
    ListeningWindow,
    OffAxis,
    OnAxis,
    Sensitivity,
    SoundPower,
)

__all__ = [
    "GOALS",
    "BandGoal",
    "BreakUp",
    "Changes",
    "Copper",
    "Directivity",
    "EarlyReflections",
    "EarlyReflectionsIndex",
    "EconomyGoal",
    "Epdr",
    "Excursion",
    "Goal",
    "GoalSet",
    "GridGoal",
    "Impedance",
    "ImpedancePhase",
    "InRoom",
    "InvertedNull",
    "ListeningWindow",
    "LobeDepth",
    "LobeSymmetry",
    "LowDrive",
    "Monotony",
    "OffAxis",
    "OnAxis",
    "Parts",
    "PhaseTracking",
    "Power",
    "Prepared",
    "PreparedGoal",
    "Price",
    "Scene",
    "Sensitivity",
    "Similarity",
    "SoundPower",
    "goal_cost",
    "option",
]
