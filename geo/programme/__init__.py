"""Which visits the programme owes, by when and why."""
