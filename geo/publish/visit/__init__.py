"""The sheet to take along."""
