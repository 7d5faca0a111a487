"""Measured files of every kind, read into curves."""

from optimizer.measure.files.open import open_curve as open_curve
