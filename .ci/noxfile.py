"""Checks in fresh environments: ``nox -f .ci/noxfile.py``, or one with ``-s lint``.

nox is a tool of its own (``pip install nox``) and no dependency of the package. A Python that is
not installed is skipped.
"""

from __future__ import annotations

from pathlib import Path

import nox

ROOT = Path(__file__).resolve().parent.parent
PYTHONS = ["3.11", "3.12", "3.13", "3.14"]

nox.options.error_on_missing_interpreters = False
nox.options.sessions = ["lint", "types", "tests", "wheel"]


@nox.session
def lint(session: nox.Session) -> None:
    """Check style, format and import order."""
    session.chdir(ROOT)
    session.install(".[test]")
    session.run("ruff", "check", ".")
    session.run("ruff", "format", "--check", ".")
    session.run("lint-imports", "--no-cache")


@nox.session
def types(session: nox.Session) -> None:
    """Check types, in strict mode."""
    session.chdir(ROOT)
    session.install(".[test]")
    session.run("mypy")


@nox.session(python=PYTHONS)
def tests(session: nox.Session) -> None:
    """Test everything but the wheel; arguments after ``--`` go to pytest."""
    session.chdir(ROOT)
    session.install(".[test]")
    how = ("-n", "auto", "--dist", "loadfile", "-m", "not wheel")
    session.run("python", "-m", "pytest", *how, *session.posargs)


@nox.session(python=PYTHONS)
def wheel(session: nox.Session) -> None:
    """Build, install, run and type-check the wheel."""
    session.chdir(ROOT)
    session.install(".[test]")
    session.run("python", "-m", "pytest", "-m", "wheel", *session.posargs)
