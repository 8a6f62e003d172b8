"""How sure the order is, and what makes it."""
