"""What tolerances of parts do."""
