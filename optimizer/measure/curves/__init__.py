"""Work on single curves: grids, phase, near field."""
