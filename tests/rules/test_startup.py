"""Starting up stays light: heavy libraries are imported only where they are used."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
HEAVY = ("nevergrad", "rich", "scipy", "numpy", "yaml", "matplotlib", "plotly", "pandas")


def run_python(code: str) -> subprocess.CompletedProcess[str]:
    paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(paths)}
    return subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True
    )


@pytest.mark.parametrize(
    "action",
    [
        "import optimizer.cli.main",
        "from optimizer.cli.main import main; main(['--help'])",
        "from optimizer.cli.main import main; main(['fit', '--help'])",
        "from optimizer.cli.main import main; main(['fit', '--seconds', 'x'])",
    ],
)
def test_help_and_usage_errors_import_nothing_heavy(action):
    """Help and usage errors need neither numerics nor a screen library."""
    code = f"import sys\n{action}\nprint('LOADED', *(m for m in {HEAVY!r} if m in sys.modules))"
    assert run_python(code).stdout.splitlines()[-1].strip() == "LOADED"


def test_verbs_import_only_what_all_of_them_need():
    """Arrays and YAML; special functions, optimisers and pages come with the verb that needs them."""
    heavy = ["scipy", "nevergrad", "rich", "jinja2", "bokeh", "schemdraw", "markdown_it", "shtab"]
    code = (
        f"import sys, optimizer.verbs\nprint('LOADED', *(m for m in {heavy!r} if m in sys.modules))"
    )
    assert run_python(code).stdout.strip() == "LOADED"


def test_package_imports_without_searchers_and_screens():
    """`import optimizer` brings in no optimiser, no screen library and no plotting library."""
    heavy = [name for name in HEAVY if name not in ("numpy", "yaml")]
    code = f"import sys, optimizer\nprint('LOADED', *(m for m in {heavy!r} if m in sys.modules))"
    assert run_python(code).stdout.strip() == "LOADED"


def test_help_is_quick():
    """`laddersmith --help` takes under 0.3 s of a processor (best of five: other load on the machine
    makes each of them longer)."""
    code = "import sys; from optimizer.cli.main import main; sys.exit(main(['--help']))"
    times = []
    for _ in range(5):
        before = os.times()
        run_python(code)
        after = os.times()
        times.append(sum(after[k] - before[k] for k in (2, 3)))
    assert min(times) < 0.3
