"""Goal presets: where they lie, in a source checkout and in an installed package."""

from __future__ import annotations

from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path

from optimizer.errors import InputError
from optimizer.text.yamltext import Entry, parse_yaml, read_yaml, suggest

BASE = "base"
"""The preset that stands under every other one."""

PRESET_KEYS = ("title", "why", "source")
"""What a preset says of itself, beside its goals."""


def find_targets() -> Traversable:
    """Find the folder of presets.

    Returns
    -------
    Traversable
        ``optimizer/targets`` in an installed package, ``targets`` at the top of a checkout.

    Raises
    ------
    InputError
        When neither exists: the installation is damaged.
    """
    installed = resources.files("optimizer") / "targets"
    if installed.is_dir():
        return installed
    checkout = Path(__file__).resolve().parents[2] / "targets"
    if checkout.is_dir():
        return checkout
    raise InputError("the folder of goal presets must be there", file=checkout,
                     remedy="install the package again")  # fmt: skip


def list_presets() -> tuple[str, ...]:
    """Names of the presets, sorted; what stands under all of them is none."""
    names = (item.name for item in find_targets().iterdir())
    found = {name.removesuffix(".yaml") for name in names if name.endswith(".yaml")}
    return tuple(sorted(found - {BASE}))


def read_preset(name: str, folder: Path) -> Entry:
    """Read a preset by its name, or the user's own by its file name.

    Parameters
    ----------
    name : str
        "living-room", or a file ending in ".yaml" relative to `folder`.
    folder : Path
        Folder of the design file.

    Returns
    -------
    Entry
        The whole file.

    Raises
    ------
    InputError
        When there is none of that name.
    """
    if name.endswith((".yaml", ".yml")):
        return read_yaml(folder / name, noun="goal preset")
    if name not in (*list_presets(), BASE):
        raise InputError("there is no goal preset of this name", value=repr(name),
                         remedy=suggest(name, list_presets()))  # fmt: skip
    source = find_targets() / f"{name}.yaml"
    return parse_yaml(source.read_text(encoding="utf-8"), file=str(source), noun="goal preset")
