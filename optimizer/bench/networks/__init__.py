"""Networks in files."""
