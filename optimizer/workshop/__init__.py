"""What happens at the bench: ratings, tolerance, voicing, fault finding."""
