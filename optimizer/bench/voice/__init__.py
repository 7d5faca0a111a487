"""After listening: the smallest changes that do what is wished."""
