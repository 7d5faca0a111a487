"""Every passive network as a series/parallel expression of parts with drivers at its leaves."""
