"""When each driver's sound arrives."""
