"""What is wanted: specs, residuals and their derivatives."""
