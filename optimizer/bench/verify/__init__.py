"""The finished speaker against the prediction."""
