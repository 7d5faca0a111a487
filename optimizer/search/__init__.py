"""The search: problem, space, relaxation, exchange, ranking."""
