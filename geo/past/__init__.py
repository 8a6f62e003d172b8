"""What past visits teach."""
