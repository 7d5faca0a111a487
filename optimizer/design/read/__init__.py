"""The design file, read with line numbers."""
