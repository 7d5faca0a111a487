"""The best network of a small problem, with proof."""
