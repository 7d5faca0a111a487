"""What is wanted: goals, each one class, in the families that reports list."""

from optimizer.goals.crossover import BreakUp, Crossing, InvertedNull, PhaseTracking
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
from optimizer.goals.plugged import load_goals
from optimizer.goals.prepared import CrossoverRange, PreparedGoal, Scene, goal_cost
from optimizer.goals.protection import Excursion, LowDrive, Power, Stress
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
    Loudness,
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
    "Crossing",
    "CrossoverRange",
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
    "Loudness",
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
    "Stress",
    "goal_cost",
    "option",
]

load_goals()
