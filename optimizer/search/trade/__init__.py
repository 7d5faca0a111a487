"""The front between two goals."""
