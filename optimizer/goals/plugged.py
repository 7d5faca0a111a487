"""Goals that other distributions add; see `optimizer.plugins`."""

from __future__ import annotations

from typing import Any

from optimizer import plugins
from optimizer.goals.goal import GOALS, Goal


def load_goals() -> None:
    """Load the goals of plug-ins: the class statement registers each, as it does our own."""
    known = dict(GOALS)

    def refuse(value: Any) -> str:
        if not (isinstance(value, type) and issubclass(value, Goal)):
            return "it is no class derived from that of all goals"
        return "" if GOALS.get(value.name) is value else "its class states no name"

    for plugin in plugins.load_plugins(plugins.GOAL_GROUP, refuse):
        known[plugin.value.name] = plugin.value
    # What a module registered before it failed is no goal of anybody.
    for name in [name for name in GOALS if name not in known]:
        del GOALS[name]
