"""What stands on the land after rain, and how sure that is."""
