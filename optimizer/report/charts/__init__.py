"""Charts as values, and what draws them: vector graphics and sketches of characters."""
