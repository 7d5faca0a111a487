"""The same cost function in the hands of general optimisers, and our solver beside other solvers:
``python -m benchmarks.peers``."""
