"""Measured files of every kind, read into curves."""
