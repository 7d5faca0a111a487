"""What our house adds: a goal, and a way in which our old recorder writes files."""
