"""A design file and its measurements become a problem."""

from optimizer.design.build.problem import build_problem
from optimizer.design.read.file import load_design

__all__ = ["build_problem", "load_design"]
