"""The built-in demo: synthetic measurements of an invented three-way, and its design file."""

from __future__ import annotations

from optimizer.demo.write import build_files, write_demo

__all__ = ["build_files", "write_demo"]
