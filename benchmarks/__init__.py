"""Measured, not claimed: problems, quality, peers and speed. See benchmarks/README.md."""
