"""Speaker, topology, stock and goals together: what is searched."""
