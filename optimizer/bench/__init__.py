"""What happens at the bench."""
