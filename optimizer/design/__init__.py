"""The design file: its nouns, how it is read, what it builds, how it is begun."""
