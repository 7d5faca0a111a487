"""Ways to curves: sums, named averages over directions."""
