"""What is shown and written: tables, charts, drawings and files."""
