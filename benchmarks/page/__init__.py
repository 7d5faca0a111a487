"""How long a step of a value takes at the bench, from the key to the curves that are drawn anew."""
