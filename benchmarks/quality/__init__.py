"""How surely and how fast a search reaches the best known network: ``python -m
benchmarks.quality``."""
