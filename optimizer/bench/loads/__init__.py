"""What each part must bear."""
