"""Hearing a change before it is soldered: the difference of two networks as a filter for music."""
