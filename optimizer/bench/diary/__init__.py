"""The diary of a speaker: its story, and which network is in which cabinet."""
