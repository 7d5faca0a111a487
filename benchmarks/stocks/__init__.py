"""Stocks of any length: memory and networks a second."""
