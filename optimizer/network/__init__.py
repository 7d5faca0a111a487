"""Ladders: slots, electrical solution, derivatives, netlists."""
