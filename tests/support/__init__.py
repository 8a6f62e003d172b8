"""What several tests make or measure with."""
