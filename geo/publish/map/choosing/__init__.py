"""Which units the map shows."""
