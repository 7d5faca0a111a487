"""Text in and out: units, and YAML with line numbers."""
